#include "service/links/scan_feed.hpp"

namespace tautgate::links {

std::size_t ScanFeed::take(std::string_view bytes) {
    splitter_.feed(bytes);
    std::size_t labels = 0;
    while (const auto label = splitter_.next()) {
        ++labels;
        if (*label)
            take_label(**label);
        else
            misread(label->error());
    }
    return labels;
}

void ScanFeed::give_up_half() {
    if (const auto half = splitter_.abandon())
        misread(*half);
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

void ScanFeed::misread(const protocol::LabelFault& fault) {
    sink_(interlock::LabelMisread{{scanner_.bay}, fault.raw, protocol::sentence(fault)});
}

}  // namespace tautgate::links
