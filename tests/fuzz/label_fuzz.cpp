// Scanners and tickets.
#include <string>
#include <vector>

#include "protocol/ticket.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

const LabelReader& reader() {
    static const auto compiled =
        LabelReader::compile({{"D", R"(D(?P<serial>\d{6})-(?P<order>\d{5})-(?P<type>[A-E]))"},
                              {"F", R"(F(?P<serial>\d{6})-(?P<order>\d{5}))"},
                              {"loose", R"(L(?P<serial>.*))"}});
    promise(compiled.has_value(), "the rules compile");
    return *compiled;
}

std::vector<std::string> split(std::string_view stream, std::size_t chunk) {
    ScanSplitter splitter;
    std::vector<std::string> labels;
    for (std::size_t at = 0; at < stream.size(); at += chunk) {
        splitter.feed(stream.substr(at, chunk));
        while (const auto label = splitter.next()) {
            promise(!*label || (!(*label)->empty() && (*label)->size() <= label_limit),
                    "a label has a length");
            labels.push_back(*label ? **label : "fault: " + label->error().what);
        }
    }
    const auto half = splitter.abandon();
    labels.push_back(half ? half->what : "nothing left");
    promise(!splitter.abandon(), "half a label is abandoned once");
    return labels;
}

void check_label(std::string_view text) {
    const auto ticket = reader().read(text);
    if (!ticket) {
        promise(!ticket.error().what.empty() && !ticket.error().remedy.empty(),
                "a fault says what and what to do");
        promise(ticket.error().raw.size() <= label_limit, "a fault is bounded");
        return;
    }
    promise(!ticket->serial.empty() && ticket->raw == text, "a ticket has a serial number and its label");
    promise(ticket->kind != "D" ||
                (ticket->serial.size() == 6 && ticket->order.size() == 5 && ticket->type.size() == 1),
            "a D ticket has all its parts");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view stream = tautgate::fuzz::as_text(data, size);
    const auto labels = split(stream, stream.size() + 1);
    promise(labels == split(stream, 3), "labels do not depend on how the stream is cut");
    for (const std::string& label : labels)
        check_label(label);
    check_label(stream);
    // Patterns come from a file that people write.
    const auto compiled = LabelReader::compile({{"X", std::string(stream)}});
    promise(compiled || !compiled.error().empty(), "a refused rule has a reason");
    return 0;
}
