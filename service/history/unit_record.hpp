// The story of one serial number, as the journal has it: each stay with its tickets, tightenings, releases
// and decisions, oldest first. Nothing is judged here again; every line is what was stored at the time.
// Reading blocks: call it on a worker.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "service/domain/ids.hpp"

namespace tautgate::history {

struct TicketLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string kind;
    std::string serial;
    std::string order;
    std::string type;
};

struct TighteningLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string tool;
    std::uint64_t counter = 0;
    std::string outcome;          // "attributed", "rehit", "unassigned", ... as the journal names it
    std::string joint;            // empty: counted for none
    std::string fastener;
    std::string pass;
    std::uint32_t attempt = 0;    // 1..; 0: counted for none
    std::string verdict;          // empty: not judged
    std::string reasons;          // as stored, one text
    std::optional<std::int64_t> torque_micro_nm;
    std::optional<std::int64_t> angle_micro_deg;
    std::string torque_received;  // as the tool sent it
    std::string angle_received;
    std::optional<domain::PersonNumber> operator_;
};

struct ReleaseLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string permissive;
    std::string output;  // "withheld", "released", "leaving_incomplete"
    std::string reasons;
};

struct DecisionLine {
    domain::EventNumber event;
    std::int64_t utc_us = 0;
    std::string kind;     // "proposed", "seconded", "ended"
    std::string action;
    std::string outcome;
    std::optional<domain::EventNumber> proposal;
    domain::PersonNumber by;
    std::string reason_code;
    std::string text;
};

struct StayRecord {
    domain::EventNumber stay;
    std::string bay;
    std::uint32_t token = 0;
    std::int64_t began_utc_us = 0;
    std::optional<std::int64_t> ended_utc_us;
    std::string unit;     // empty: never identified
    std::string variant;
    std::string plan;
    std::string plan_revision;
    std::string rules;    // digest
    std::vector<TicketLine> tickets;
    std::vector<TighteningLine> tightenings;
    std::vector<ReleaseLine> releases;
    std::vector<DecisionLine> decisions;
};

struct UnitRecord {
    std::string serial;
    std::vector<StayRecord> stays;  // oldest first
};

}  // namespace tautgate::history
