#include "service/links/scan_feed.hpp"

#include <fmt/format.h>

#include "config/shortest_exchange.hpp"
#include "protocol/text.hpp"

namespace tautgate::links {

namespace {

// For how long the rest of a half that was given up may still come. A segment of TCP that is lost is sent
// again after about 1 s, and once more 2 s later (RFC 6298, from memory); a radio link or a USB adapter that
// stalls comes back sooner. Whoever scans anew within that time scans once more.
constexpr std::chrono::seconds rest_may_come{4};

}  // namespace

ScanFeed::ScanFeed(const config::Scanner& scanner, const protocol::LabelReader& reader, const Sink& sink,
                   std::optional<SteadyTime> half_given_up)
    : scanner_(scanner), reader_(reader), sink_(sink), splitter_(scanner.label_end) {
    if (half_given_up) {
        splitter_.expect_rest();
        given_up_ = *half_given_up;
    }
}

std::size_t ScanFeed::take(std::string_view bytes, SteadyTime since, SteadyTime now) {
    if (splitter_.awaits_rest() && now - given_up_ > rest_may_come)
        splitter_.forget_rest();
    splitter_.feed(bytes);
    std::size_t labels = 0;
    while (const auto label = splitter_.next()) {
        ++labels;
        if (*label && now - since > config::shortest_exchange)
            refuse_old(**label, since, now);
        else if (*label)
            take_label(**label);
        else
            misread(label->error());
    }
    return labels;
}

std::optional<std::string> ScanFeed::told_of_burst(std::size_t labels) const {
    constexpr std::size_t by_hand = 10;
    if (labels <= by_hand)
        return std::nullopt;
    return fmt::format(
        "scanner {} sends {} labels at once; what is more is read later; let it read once for each "
        "pull of its trigger, and keep nothing in a memory of its own",
        scanner_.id, labels);
}

void ScanFeed::give_up_half(SteadyTime now) {
    if (splitter_.half())
        given_up_ = now;
    if (const auto half = splitter_.abandon())
        misread(*half);
}

std::optional<SteadyTime> ScanFeed::half_given_up() const {
    return splitter_.awaits_rest() ? std::optional(given_up_) : std::nullopt;
}

void ScanFeed::take_label(const std::string& label) {
    const auto ticket = reader_.read(label);
    if (!ticket)
        return misread(ticket.error());
    sink_(interlock::TicketScanned{.bay = {scanner_.bay},
                                   .kind = ticket->kind,
                                   .serial = {ticket->serial},
                                   .order = ticket->order,
                                   .type = ticket->type,
                                   .raw = ticket->raw});
}

void ScanFeed::refuse_old(const std::string& label, SteadyTime since, SteadyTime now) {
    const std::chrono::duration<double> waited = now - since;
    misread({fmt::format(
                 "the label {} may have waited unread for {:.1f} s, so that nobody knows for which unit it "
                 "was scanned",
                 protocol::shown(label), waited.count()),
             "scan again", label});
}

void ScanFeed::misread(const protocol::LabelFault& fault) {
    sink_(interlock::LabelMisread{{scanner_.bay}, fault.raw, protocol::sentence(fault)});
}

}  // namespace tautgate::links
