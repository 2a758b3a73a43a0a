// Scanners, tickets, and the rules for their labels.
#include <string>
#include <vector>

#include "protocol/ticket.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

TicketRule in_columns() {
    FixedLabel label;
    label.length = 24;
    label.prefix = "K";
    label.suffix = "*";
    label.order = Columns{2, 5};
    label.type = Columns{8, 5};
    label.serial = Columns{14, 9};
    return {"columns", label, {}, LabelCheck{CheckSystem::mod_37_36, CheckScope::serial}};
}

TicketRule in_fields() {
    EnvelopeLabel label;
    label.serial = {"S", "TM"};
    label.order = EnvelopeField{"1K", ""};
    label.substitutes = {"^", "|", "~"};
    return {"fields", label};
}

TicketRule in_elements() {
    EnvelopeLabel label;
    label.format = EnvelopeFormat::application_identifiers;
    label.serial = {"21", ""};
    label.type = EnvelopeField{"01", ""};
    return {"elements", label, {"]d1"}};
}

TicketRule in_bare_elements() {
    EnvelopeLabel label;
    label.format = EnvelopeFormat::element_strings;
    label.serial = {"21", ""};
    label.type = EnvelopeField{"01", ""};
    return {"bare", label, {"]d2", "]C1"}};
}

const LabelReader& reader() {
    static const auto compiled =
        LabelReader::compile({{"D", PatternLabel{R"(D(?P<serial>\d{6})-(?P<order>\d{5})-(?P<type>[A-E]))"}},
                              {"F", PatternLabel{R"(F(?P<serial>\d{6})-(?P<order>\d{5}))"}},
                              {"loose", PatternLabel{R"(L(?P<serial>.*))"}},
                              {"vehicle",
                               PatternLabel{R"(V(?P<serial>.*))"},
                               {},
                               LabelCheck{CheckSystem::vin, CheckScope::serial}},
                              in_columns(),
                              in_fields(),
                              in_elements(),
                              in_bare_elements()});
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

bool has_control_character(std::string_view text) {
    for (const char c : text)
        if (static_cast<unsigned char>(c) < 0x20 || c == 0x7F)
            return true;
    return false;
}

void check_fault_of(const LabelFault& fault) {
    promise(!fault.what.empty() && !fault.remedy.empty(), "a fault says what and what to do");
    promise(fault.what.size() <= 1500 && fault.remedy.size() <= 200, "a sentence is bounded");
    promise(!has_control_character(fault.what), "a fault shows what is not seen");
    promise(fault.raw.size() <= label_limit, "a fault is bounded");
}

void check_ticket(const Ticket& ticket, std::string_view text) {
    promise(!ticket.serial.empty() && ticket.raw == text, "a ticket has a serial number and its label");
    promise(!has_control_character(ticket.serial + ticket.order + ticket.type),
            "what a ticket says can be seen");
    if (ticket.kind == "D")
        promise(ticket.serial.size() == 6 && ticket.order.size() == 5 && ticket.type.size() == 1,
                "a D ticket has all its parts");
    if (ticket.kind == "vehicle")
        promise(!check_fault(CheckSystem::vin, ticket.serial), "a check digit is right");
    if (ticket.kind == "columns")
        promise(text.size() == 24 && !check_fault(CheckSystem::mod_37_36, ticket.serial),
                "a label in columns has its length and its check character");
    if (ticket.kind == "fields")
        promise(ticket.serial.starts_with("TM") && !ticket.order.empty() && text.starts_with("[)>"),
                "a message has its fields");
    if (ticket.kind == "bare")
        promise(ticket.type.size() == 14 && (text.starts_with("]d2") || text.starts_with("]C1")),
                "an element needs no envelope behind its symbology identifier");
    if (ticket.kind == "elements")
        promise(ticket.type.size() == 14 && text.starts_with("]d1[)>"),
                "an element has its predefined length");
}

void check_label(const LabelReader& labels, std::string_view text) {
    const auto ticket = labels.read(text);
    if (ticket)
        check_ticket(*ticket, text);
    else
        check_fault_of(ticket.error());
}

// A rule as people could write it, put together from the bytes: anything may stand in it.
class RuleFromBytes {
  public:
    explicit RuleFromBytes(std::string_view bytes) : bytes_(bytes) {}

    TicketRule next() {
        TicketRule rule{text(), PatternLabel{}, {}, std::nullopt};
        switch (number() % 3) {
        case 0: rule.content = PatternLabel{text()}; break;
        case 1: rule.content = fixed(); break;
        default: rule.content = envelope(); break;
        }
        if (number() % 4 == 0)
            rule.symbology_identifiers.push_back(text());
        if (number() % 4 == 0)
            rule.check = LabelCheck{static_cast<CheckSystem>(number() % 10),
                                    number() % 2 == 0 ? CheckScope::serial : CheckScope::label};
        return rule;
    }

  private:
    std::uint8_t number() {
        if (bytes_.empty())
            return 0;
        const auto byte = static_cast<std::uint8_t>(bytes_.front());
        bytes_.remove_prefix(1);
        return byte;
    }
    std::string text() {
        const std::size_t length = number() % 12U;
        const std::string taken(bytes_.substr(0, length));
        bytes_.remove_prefix(taken.size());
        return taken;
    }
    Columns columns() { return {number(), number()}; }
    FixedLabel fixed() {
        FixedLabel label;
        label.length = number();
        label.prefix = text();
        label.suffix = text();
        label.serial = columns();
        if (number() % 2 == 0)
            label.order = columns();
        return label;
    }
    EnvelopeLabel envelope() {
        EnvelopeLabel label;
        label.format = static_cast<EnvelopeFormat>(number() % 3);
        label.serial = {text(), text()};
        if (number() % 2 == 0)
            label.type = EnvelopeField{text(), text()};
        label.substitutes = {text(), text(), text()};
        return label;
    }

    std::string_view bytes_;
};

void check_rules(std::string_view stream) {
    RuleFromBytes source(stream);
    const std::vector<TicketRule> rules{source.next(), source.next()};
    const auto compiled = LabelReader::compile(rules);
    promise(compiled || !compiled.error().empty(), "a refused rule has a reason");
    if (!compiled) {
        for (const TicketRuleFault& fault : compiled.error())
            promise(fault.rule < rules.size() && !fault.finding.empty() && !fault.remedy.empty(),
                    "a mistake has its place and its remedy");
        return;
    }
    const auto ticket = compiled->read(stream.substr(0, label_limit));
    if (!ticket)
        check_fault_of(ticket.error());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view stream = tautgate::fuzz::as_text(data, size);
    const auto labels = split(stream, stream.size() + 1);
    promise(labels == split(stream, 3), "labels do not depend on how the stream is cut");
    for (const std::string& label : labels)
        check_label(reader(), label);
    check_label(reader(), stream);
    // Patterns and rules come from a file that people write.
    const auto compiled = LabelReader::compile({{"X", PatternLabel{std::string(stream)}}});
    promise(compiled || !compiled.error().empty(), "a refused rule has a reason");
    check_rules(stream);
    return 0;
}
