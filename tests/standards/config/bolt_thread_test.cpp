// Threads and preloads against published values. ISO 724 dimensions and stress areas, and the
// tables of VDI 2230-1 as they are reproduced in public: the fine-thread table (A2) was compared with such a
// reproduction, the coarse-thread rows (A1) are recalled and agree with the formula within the printed
// rounding. The worked joints were computed from the guideline's formulae by another program.
#include <catch2/catch.hpp>

#include <cmath>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "config/bolt_thread.hpp"

using namespace tautgate::config;

namespace {

constexpr double utilisation = 0.9;

struct TableRow {
    std::string thread;
    std::string property_class;
    double friction;
    double preload_kn;
    double torque_nm;
};

}  // namespace

TEST_CASE("coarse threads have the dimensions and stress areas of ISO 724 and ISO 898-1") {
    struct Row {
        std::string thread;
        double flank, core, area;
    };
    // ISO 724 (d2, d3) and ISO 898-1 table 4 (As); As to three figures as printed.
    const std::vector<Row> rows{{"M8", 7.188, 6.466, 36.6},
                                {"M10", 9.026, 8.160, 58.0},
                                {"M12", 10.863, 9.853, 84.3},
                                {"M16", 14.701, 13.546, 157},
                                {"M20", 18.376, 16.933, 245}};
    for (const auto& row : rows) {
        INFO(row.thread);
        const auto thread = thread_named(row.thread);
        REQUIRE(thread);
        CHECK(std::abs(flank_diameter(*thread) - row.flank) <= 0.001);
        CHECK(std::abs(core_diameter(*thread) - row.core) <= 0.001);
        CHECK(stress_area(*thread) == Approx(row.area).epsilon(0.006));
    }
    for (const auto* none :
         {"", "M", "M9", "m20", "M20x", "M20x2.5", "M20x3", "M20x0", "M20x1,5", "M20x1.5 ", "M26"})
        CHECK_FALSE(thread_named(none));
}

TEST_CASE("assembly preload and torque agree with VDI 2230-1 table A1 within its rounding") {
    const std::vector<TableRow> rows{
        {"M8", "8.8", 0.10, 19.1, 21.6},   {"M8", "8.8", 0.12, 18.6, 24.6},
        {"M8", "8.8", 0.14, 18.1, 27.3},   {"M12", "8.8", 0.10, 44.1, 73},
        {"M12", "8.8", 0.12, 43.0, 84},    {"M12", "8.8", 0.14, 41.9, 93},
        {"M16", "10.9", 0.10, 121.7, 264}, {"M16", "10.9", 0.12, 118.8, 302},
        {"M16", "10.9", 0.14, 115.7, 338}, {"M20", "8.8", 0.10, 134, 363},
        {"M20", "8.8", 0.12, 130, 415},
    };
    for (const auto& row : rows) {
        INFO(row.thread << " " << row.property_class << " mu " << row.friction);
        const auto thread = *thread_named(row.thread);
        const auto stress = *proof_stress(row.property_class, thread.diameter);
        const double preload = assembly_preload(thread, stress, row.friction, utilisation);
        const double torque = preload * tightening_torque(thread, {row.friction, row.friction});
        CHECK(preload == Approx(row.preload_kn * 1000).epsilon(0.006));
        CHECK(torque == Approx(row.torque_nm).epsilon(0.015));
    }
}

TEST_CASE("worked joints: preload, torque and the torque to loosen") {
    struct Row {
        std::string thread, property_class;
        double friction, preload_n, torque_nm, loosening_share;
    };
    const std::vector<Row> rows{
        {"M8", "8.8", 0.12, 18628.075881248817, 24.511752480117053, 0.6976195032162071},
        {"M10", "8.8", 0.12, 29604.38505244454, 48.342561618289785, 0.7076064614348178},
        {"M10", "10.9", 0.14, 42335.756584058494, 78.96985165178101, 0.7440309894616776},
        {"M12", "10.9", 0.10, 64904.31174693987, 107.67407716976527, 0.6642232921879909}};
    for (const auto& row : rows) {
        INFO(row.thread << " " << row.property_class << " mu " << row.friction);
        const auto thread = *thread_named(row.thread);
        const Friction friction{row.friction, row.friction};
        const double preload = assembly_preload(thread, *proof_stress(row.property_class, thread.diameter),
                                                row.friction, utilisation);
        CHECK(preload == Approx(row.preload_n).epsilon(1e-9));
        CHECK(preload * tightening_torque(thread, friction) == Approx(row.torque_nm).epsilon(1e-9));
        CHECK(loosening_torque(thread, friction) / tightening_torque(thread, friction) ==
              Approx(row.loosening_share).epsilon(1e-9));
    }
}

namespace {

// Lines of a table without its head, cut at commas.
std::vector<std::vector<std::string>> rows_of(const std::string& name) {
    std::ifstream in(std::string(TAUTGATE_SOURCE_DIR) + "/tests/standards/config/" + name);
    std::vector<std::vector<std::string>> rows;
    for (std::string line; std::getline(in, line);) {
        std::vector<std::string> cells;
        std::istringstream cut(line);
        for (std::string cell; std::getline(cut, cell, ',');)
            cells.push_back(cell);
        rows.push_back(std::move(cells));
    }
    REQUIRE(rows.size() > 1);
    rows.erase(rows.begin());
    return rows;
}

}  // namespace

// vdi2230_fine.csv: thread, class, friction, preload in kN and torque in N.m of table A2, compared with a
// public reproduction.
TEST_CASE("fine threads agree with VDI 2230-1 table A2 within its rounding") {
    std::size_t known = 0;
    for (const auto& row : rows_of("vdi2230_fine.csv")) {
        const auto thread = thread_named(row[0]);
        if (!thread)
            continue;
        ++known;
        INFO(row[0] << " " << row[1] << " mu " << row[2]);
        const double friction = std::stod(row[2]);
        const double preload =
            assembly_preload(*thread, *proof_stress(row[1], thread->diameter), friction, utilisation);
        CHECK(preload == Approx(std::stod(row[3]) * 1000).epsilon(0.006));
        CHECK(preload * tightening_torque(*thread, {friction, friction}) ==
              Approx(std::stod(row[4])).epsilon(0.015));
    }
    CHECK(known >= 60);
}

// iso898_1_coarse.csv: the proof loads of ISO 898-1:2013 table 5, compared with three public reproductions.
// They are printed to three figures, from stress areas that were rounded to three before.
TEST_CASE("proof loads agree with ISO 898-1 table 5 within its rounding") {
    std::size_t known = 0;
    for (const auto& row : rows_of("iso898_1_coarse.csv")) {
        const auto thread = thread_named(row[0]);
        if (!thread)
            continue;
        ++known;
        INFO(row[0] << " " << row[5]);
        CHECK(*proof_load_stress(row[5], thread->diameter) == std::stod(row[8]));
        CHECK(*proof_load_stress(row[5], thread->diameter) * stress_area(*thread) ==
              Approx(std::stod(row[10])).epsilon(0.0065));
    }
    CHECK(known == 33);
}
