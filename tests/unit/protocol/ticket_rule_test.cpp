// Labels in columns, in messages and behind symbology identifiers, and what cannot work in such rules.
#include <string>
#include <string_view>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/ticket.hpp"

using namespace tautgate::protocol;

namespace {

// "D 40017 MB3  TM000871#"
FixedLabel bogie_columns() {
    FixedLabel label;
    label.length = 22;
    label.prefix = "D ";
    label.suffix = "#";
    label.order = Columns{3, 5};
    label.type = Columns{9, 4};
    label.serial = Columns{14, 8};
    return label;
}

EnvelopeLabel bogie_message() {
    EnvelopeLabel label;
    label.serial = {"S", "TM"};
    label.order = EnvelopeField{"1K", ""};
    label.type = EnvelopeField{"1P", "MB"};
    return label;
}

const std::string whole_message = "[)>\x1e"
                                  "06\x1dSTM000871\x1d"
                                  "1K40017\x1d"
                                  "1PMB3\x1e\x04";

LabelReader reader_of(std::vector<TicketRule> rules) {
    auto compiled = LabelReader::compile(rules);
    REQUIRE(compiled);
    return std::move(*compiled);
}

Ticket ticket_by(const LabelReader& reader, std::string_view text) {
    CAPTURE(text);
    const auto ticket = reader.read(text);
    REQUIRE(ticket);
    return *ticket;
}

std::string refusal_by(const LabelReader& reader, std::string_view text) {
    CAPTURE(text);
    const auto ticket = reader.read(text);
    REQUIRE_FALSE(ticket);
    CHECK_FALSE(ticket.error().remedy.empty());
    CHECK(ticket.error().raw == text);
    return ticket.error().what;
}

// What follows "the label ... is no build ticket of this station: ".
std::string exception_by(const LabelReader& reader, std::string_view text) {
    const std::string what = refusal_by(reader, text);
    const std::string before = " is no build ticket of this station: ";
    const std::size_t place = what.find(before);
    REQUIRE(place != std::string::npos);
    return what.substr(place + before.size());
}

// "rule key: finding" of each mistake.
std::vector<std::string> mistakes(const std::vector<TicketRule>& rules) {
    std::vector<std::string> found;
    for (const auto& fault : check(rules)) {
        CHECK_FALSE(fault.remedy.empty());
        found.push_back(std::to_string(fault.rule) + " " + fault.key + ": " + fault.finding);
    }
    CHECK(LabelReader::compile(rules).has_value() == found.empty());
    return found;
}
std::vector<std::string> mistakes(LabelContent content, std::optional<LabelCheck> checked = std::nullopt) {
    return mistakes({TicketRule{"D", std::move(content), {}, checked}});
}

TicketRule fixed_rule(std::string kind, std::string prefix, std::uint16_t length, std::string suffix = {}) {
    FixedLabel label;
    label.length = length;
    label.prefix = std::move(prefix);
    label.suffix = std::move(suffix);
    label.serial = Columns{1, length};
    return {std::move(kind), label};
}

}  // namespace

// ---- columns ---------------------------------------------------------------------------------------------

TEST_CASE("a label in columns is read column by column, blanks at both ends of a part left out") {
    const auto reader = reader_of({{"D", bogie_columns()}});
    CHECK(reader.read("D 40017 MB3  TM000871#") ==
          Ticket{"D", "TM000871", "40017", "MB3", "D 40017 MB3  TM000871#"});
    CHECK(reader.read("D 40017      TM 00871#") ==
          Ticket{"D", "TM 00871", "40017", "", "D 40017      TM 00871#"});
}

TEST_CASE("constants at the ends of a label may be part of what is read") {
    const auto reader = reader_of({fixed_rule("F", "BF", 8)});
    CHECK(ticket_by(reader, "BF001203").serial == "BF001203");
}

TEST_CASE("a label in columns that is wrong in one thing is refused for it") {
    const auto reader = reader_of({{"D", bogie_columns()}});
    CHECK(exception_by(reader, "D 40017 MB3  TM00087#") ==
          "it fits kind D except that it has 21 characters, not 22");
    CHECK(exception_by(reader, "D 40017 MB3  TM000871!") ==
          "it fits kind D except that it ends with '!', not '#'");
    CHECK(exception_by(reader, "F 40017 MB3  TM000871#") ==
          "it fits kind D except that it begins with 'F ', not 'D '");
    CHECK(exception_by(reader, "D 40017 MB3          #") ==
          "it fits kind D except that its serial number is empty");
    // Two things wrong are no likeness, nor is the length alone.
    CHECK(refusal_by(reader, "F 40017 MB3  TM000871!") ==
          "the label 'F 40017 MB3  TM000871!' is no build ticket of this station");
    CHECK(refusal_by(reader, "D 40017") == "the label 'D 40017' is no build ticket of this station");
    CHECK(refusal_by(reader_of({fixed_rule("D", "", 8)}), "BF00120") ==
          "the label 'BF00120' is no build ticket of this station");
    // Columns count characters; beyond ASCII a byte is none.
    CHECK(refusal_by(reader, "D 40017 M\xc3\xbc  TM000871#") ==
          "the label 'D 40017 M\\xc3\\xbc  TM000871#' is no build ticket of this station");
    CHECK(refusal_by(reader, "D 40017 MB3\x1d TM000871#") ==
          "the label 'D 40017 MB3\\x1d TM000871#' holds control characters");
}

// ---- messages --------------------------------------------------------------------------------------------

TEST_CASE("a message is read by its identifiers, in whatever order and beside whatever else") {
    const auto reader = reader_of({{"D", bogie_message()}});
    CHECK(reader.read(whole_message) == Ticket{"D", "TM000871", "40017", "MB3", whole_message});
    CHECK(ticket_by(reader, "[)>\x1e"
                            "06\x1d"
                            "1PMB3\x1dQ1\x1d"
                            "1K40017\x1e"
                            "06\x1dSTM000871\x1dSTM000871\x1e\x04")
              .serial == "TM000871");
}

TEST_CASE("application identifiers of GS1 are read the same way") {
    EnvelopeLabel label;
    label.format = EnvelopeFormat::application_identifiers;
    label.serial = {"21", ""};
    label.type = EnvelopeField{"01", ""};
    label.order = EnvelopeField{"400", ""};
    const auto reader = reader_of({{"D", label}});
    const auto ticket = reader.read("[)>\x1e"
                                    "05\x1d"
                                    "0198412345678908"
                                    "21TM000871\x1d"
                                    "40040017\x1e\x04");
    REQUIRE(ticket);
    CHECK(ticket->serial == "TM000871");
    CHECK(ticket->type == "98412345678908");
    CHECK(ticket->order == "40017");
}

TEST_CASE("elements of GS1 without an envelope are read behind their symbology identifier") {
    EnvelopeLabel label;
    label.format = EnvelopeFormat::element_strings;
    label.serial = {"21", "TM"};
    label.order = EnvelopeField{"400", ""};
    label.substitutes.gs = "|";
    const auto reader = reader_of({{"D", label, {"]d2"}}});
    const std::string sent = "]d2"
                             "0198412345678908"
                             "21TM000871\x1d"
                             "40040017";
    CHECK(reader.read(sent) == Ticket{"D", "TM000871", "40017", "", sent});
    CHECK(ticket_by(reader, "]d221TM000871|40040017").order == "40017");
    CHECK(exception_by(reader, "]d221TM000871") ==
          "it fits kind D except that it has no field 400 for the order");
    CHECK(exception_by(reader, "]d2TM000871") ==
          "it fits kind D except that its field 'TM000871' begins with no application identifier");
    CHECK(exception_by(reader, sent.substr(3)) ==
          "it fits kind D except that it has no symbology identifier where ]d2 is expected");
    CHECK(refusal_by(reader, "21TM000871") == "the label '21TM000871' is no build ticket of this station");
}

TEST_CASE("printable substitutes stand for control characters only where the rule lists them") {
    const std::string typed = "[)>^06|STM000871|1K40017|1PMB3^~";
    EnvelopeLabel label = bogie_message();
    CHECK(exception_by(reader_of({{"D", label}}), typed) ==
          "it fits kind D except that it came without RS, GS and EOT");
    label.substitutes = {"^", "|", "~"};
    const auto reader = reader_of({{"D", label}});
    CHECK(reader.read(typed) == Ticket{"D", "TM000871", "40017", "MB3", typed});
    CHECK(ticket_by(reader, whole_message).serial == "TM000871");
    // A scanner that can send some of them; and what is no substitute where the character itself comes.
    CHECK(ticket_by(reader, "[)>\x1e"
                            "06|STM000871|1K40017|1PMB3\x1e~")
              .serial == "TM000871");
    CHECK(ticket_by(reader, "[)>\x1e"
                            "06\x1dSTM|871\x1d"
                            "1K40017\x1d"
                            "1PMB3\x1e\x04")
              .serial == "TM|871");
    label.substitutes = {"<RS>", "<GS>", "<EOT>"};
    CHECK(
        ticket_by(reader_of({{"D", label}}), "[)><RS>06<GS>STM000871<GS>1K40017<GS>1PMB3<RS><EOT>").serial ==
        "TM000871");
}

TEST_CASE("a message that is wrong in one thing is refused for it") {
    const auto reader = reader_of({{"D", bogie_message()}});
    const auto within = [](std::string_view fields) {
        return "[)>\x1e"
               "06" +
               std::string(fields) + "\x1e\x04";
    };
    CHECK(exception_by(reader, whole_message.substr(0, 20)) ==
          "it fits kind D except that EOT is missing at its end, as in a message that is cut off");
    CHECK(exception_by(reader, within("\x1dSTM000871\x1d"
                                      "1PMB3")) ==
          "it fits kind D except that it has no field 1K for the order");
    CHECK(exception_by(reader, within("\x1dSTM000871\x1dSTM000872\x1d"
                                      "1K40017\x1d"
                                      "1PMB3")) ==
          "it fits kind D except that its field S stands there twice, with 'TM000871' and with 'TM000872'");
    CHECK(exception_by(reader, within("\x1dSBF000871\x1d"
                                      "1K40017\x1d"
                                      "1PMB3")) ==
          "it fits kind D except that the data of its field S begins with 'BF', not 'TM'");
    CHECK(exception_by(reader, within("STM000871")) ==
          "it fits kind D except that GS is missing after its format indicator 06");
    CHECK(exception_by(reader, within("\x1dSTM000871\x1d\x1d"
                                      "1K40017")) == "it fits kind D except that a field of it is empty");
    CHECK(exception_by(reader, within("\x1dSTM\x07"
                                      "871")) ==
          "it fits kind D except that its field 'STM\\x07871' holds a control character");
    CHECK(exception_by(reader, "[)>\x1e"
                               "05\x1d"
                               "21TM000871\x1e\x04") ==
          "it fits kind D except that it holds format '05' where 06 is expected");
}

// ---- symbology identifiers -------------------------------------------------------------------------------

TEST_CASE("a symbology identifier is taken off where the rule lists it, and asked for") {
    TicketRule rule{"D", PatternLabel{R"(D(?P<serial>\d{6}))"}, {"]C0", "]d1"}};
    const auto reader = reader_of({rule});
    CHECK(reader.read("]d1D000871") == Ticket{"D", "000871", "", "", "]d1D000871"});
    CHECK(ticket_by(reader, "]C0D000871").serial == "000871");
    CHECK(exception_by(reader, "]Q3D000871") ==
          "it fits kind D except that it begins with ']Q3' where ]C0 or ]d1 is expected");
    CHECK(exception_by(reader, "D000871") ==
          "it fits kind D except that it has no symbology identifier where ]C0 or ]d1 is expected");
    rule.symbology_identifiers.clear();
    CHECK(exception_by(reader_of({rule}), "]d1D000871") ==
          "it fits kind D except that the symbology identifier ']d1' stands before it");
}

// ---- patterns --------------------------------------------------------------------------------------------

TEST_CASE("what sticks to a label that a pattern would fit is named") {
    const auto reader = reader_of({{"D", PatternLabel{R"(D(?P<serial>\d{6}))"}}});
    CHECK(exception_by(reader, "D000871\\") == "it fits kind D except that '\\' stands behind it");
    CHECK(exception_by(reader, "~D000871") == "it fits kind D except that '~' stands before it");
    // Where most of the label is something else, the likeness is chance.
    CHECK(refusal_by(reader, "pallet D000871 of 12") ==
          "the label 'pallet D000871 of 12' is no build ticket of this station");
}

TEST_CASE("a pattern that would take anything takes nothing that is not seen") {
    const auto reader = reader_of({{"D", PatternLabel{"D(?P<serial>.*)"}}});
    CHECK(refusal_by(reader, "D0\x1d") == "the label 'D0\\x1d' holds control characters");
    // A character that turns the direction of writing (UAX #9).
    CHECK(refusal_by(reader, "D0\xe2\x80\xae"
                             "1") == "the label 'D0\\xe2\\x80\\xae1' holds control characters");
    CHECK(ticket_by(reader, "D\xc3\xbc").serial == "\xc3\xbc");
}

// ---- check characters ------------------------------------------------------------------------------------

TEST_CASE("a wrong check character is a misread that says which was expected") {
    const LabelCheck of_serial{CheckSystem::mod_37_36, CheckScope::serial};
    const auto reader = reader_of({{"D", PatternLabel{R"(D (?P<serial>\w+))"}, {}, of_serial},
                                   {"F", PatternLabel{R"(F (?P<serial>\w+))"}}});
    CHECK(ticket_by(reader, "D TQ0001G").serial == "TQ0001G");
    CHECK(exception_by(reader, "D TQ0001H") == "it fits kind D except that its serial number 'TQ0001H' has "
                                               "the check character 'H' where the rest of it asks "
                                               "for 'G' by ISO/IEC 7064 MOD 37,36");
    CHECK(reader.read("D TQ0001H").error().remedy ==
          "scan again; if it stays, have the ticket printed again");
    CHECK(ticket_by(reader, "F TQ0001H").kind == "F");
}

TEST_CASE("check characters over the whole label leave out the symbology identifier") {
    TicketRule rule = fixed_rule("D", "", 13);
    rule.symbology_identifiers = {"]E0"};
    rule.check = LabelCheck{CheckSystem::gs1_mod_10, CheckScope::label};
    const auto reader = reader_of({rule});
    CHECK(ticket_by(reader, "]E06291041500213").serial == "6291041500213");
    CHECK(exception_by(reader, "]E06291041500214") ==
          "it fits kind D except that the whole of it has the check character '4' where the rest of it asks "
          "for '3' by "
          "the GS1 check digit");
}

TEST_CASE("a label with a wrong check character is not read by a rule that checks nothing") {
    const LabelCheck of_serial{CheckSystem::mod_11_2, CheckScope::serial};
    const auto reader = reader_of({{"D", PatternLabel{R"((?P<serial>\d{8}))"}, {}, of_serial},
                                   {"F", PatternLabel{R"((?P<serial>[0-9A-Z]{8}))"}}});
    CHECK(exception_by(reader, "00000002") == "it fits kind D except that its serial number '00000002' has "
                                              "the check character '2' where the rest of it "
                                              "asks for '1' by ISO/IEC 7064 MOD 11-2");
    CHECK(ticket_by(reader, "0000000F").kind == "F");
}

// ---- several kinds ---------------------------------------------------------------------------------------

TEST_CASE("a label close to several kinds is told its exception for each, and the sentence stays bounded") {
    const auto rule = [](std::string kind) {
        return TicketRule{std::move(kind), fixed_rule("D", "TM", 8, "#").content};
    };
    auto loose = rule("E");
    std::get<FixedLabel>(loose.content).length = 9;
    CHECK(exception_by(reader_of({rule("D"), loose}), "TM0#") ==
          "it fits kind D except that it has 4 characters, not 8, it fits kind E except that it has 4 "
          "characters, not 9");
    std::vector<TicketRule> many;
    for (std::uint16_t length = 8; length < 16; ++length)
        many.push_back(fixed_rule(std::string(64, 'K'), "TM", length));
    const std::string what = refusal_by(reader_of(many), "TM" + std::string(200, '\x7e'));
    CHECK(what.size() < 700);
    CHECK(what.ends_with(", and 5 more have one exception each"));
}

TEST_CASE("two rules of one kind that read one label differently are refused when it comes") {
    const auto reader = reader_of(
        {{"D", PatternLabel{R"((?P<serial>\d+)-\d+)"}}, {"D", PatternLabel{R"(\d+-(?P<serial>\d+))"}}});
    CHECK(refusal_by(reader, "12-34") == "the label '12-34' can be read as a ticket of kind D in two ways");
    CHECK(ticket_by(reader, "12-12").serial == "12");
}

// ---- mistakes in rules -----------------------------------------------------------------------------------

TEST_CASE("columns that overlap, are none, or go beyond the label are mistakes") {
    FixedLabel label = bogie_columns();
    label.type = Columns{9, 6};
    label.order = Columns{20, 2};
    CHECK(mistakes(label) ==
          std::vector<std::string>{"0 fixed/order: columns 20 to 21 overlap columns 14 to 21 of serial",
                                   "0 fixed/type: columns 9 to 14 overlap columns 14 to 21 of serial"});
    label = bogie_columns();
    label.serial = Columns{20, 4};
    label.order = Columns{0, 2};
    label.type = Columns{3, 0};
    CHECK(mistakes(label) ==
          std::vector<std::string>{"0 fixed/serial: columns 20 to 23 go beyond the 22 columns of the label",
                                   "0 fixed/order: 2 columns from column 0 on are none",
                                   "0 fixed/type: 0 columns from column 3 on are none"});
}

TEST_CASE("constants that cannot stand in the label are mistakes") {
    CHECK(mistakes({fixed_rule("D", "BF00", 6, "0012")}).empty());
    CHECK(mistakes({fixed_rule("D", "BF00", 6, "0112")}) ==
          std::vector<std::string>{"0 fixed/suffix: prefix and suffix contradict each other in column 4"});
    CHECK(mistakes({fixed_rule("D", "BF001203", 6)}) ==
          std::vector<std::string>{"0 fixed/prefix: 'BF001203' has more than the 6 characters of the label"});
    CHECK(mistakes({fixed_rule("D", "B\xc3\xbc", 6)}) ==
          std::vector<std::string>{"0 fixed/prefix: 'B\\xc3\\xbc' holds more than printable ASCII"});
    CHECK(mistakes({fixed_rule("D", "", 257)}) ==
          std::vector<std::string>{"0 fixed/length: a label of 257 characters is never read"});
    TicketRule with_symbology = fixed_rule("D", "", 254);
    with_symbology.symbology_identifiers = {"]d1"};
    CHECK(mistakes({with_symbology}) ==
          std::vector<std::string>{"0 fixed/length: a label of 257 characters is never read"});
}

TEST_CASE("identifiers that the standards do not know, or that serve twice, are mistakes") {
    EnvelopeLabel label = bogie_message();
    label.serial.identifier = "1234S";
    label.order->identifier = "s";
    label.type->identifier = "s";
    CHECK(mistakes(label) ==
          std::vector<std::string>{"0 envelope/serial/identifier: '1234S' is no data identifier of format 06",
                                   "0 envelope/order/identifier: 's' is no data identifier of format 06",
                                   "0 envelope/type/identifier: 's' is no data identifier of format 06",
                                   "0 envelope/type/identifier: 's' is the identifier of order already"});
    label = bogie_message();
    label.format = EnvelopeFormat::application_identifiers;
    label.serial.identifier = "21";
    label.order->identifier = "400";
    label.type->identifier = "05";
    CHECK(mistakes(label) ==
          std::vector<std::string>{"0 envelope/type/identifier: '05' is no application identifier of GS1"});
    label.format = EnvelopeFormat::element_strings;
    label.type->identifier = "240";
    label.substitutes = {"^", "|", "~"};
    CHECK(mistakes(label) ==
          std::vector<std::string>{
              "0 envelope/format: without an envelope, a label of GS1 begins like many another",
              "0 envelope/substitutes: without an envelope there is neither RS nor EOT"});
    label = bogie_message();
    label.serial.identifier = "16D";
    label.order.reset();
    CHECK(mistakes(label) ==
          std::vector<std::string>{"0 envelope/serial/identifier: '16D' names a date, which many "
                                   "units have in common"});
}

TEST_CASE("substitutes that could be data, or one another, are mistakes") {
    EnvelopeLabel label = bogie_message();
    label.substitutes = {"R", "<S>", "<S>>"};
    CHECK(mistakes(label) ==
          std::vector<std::string>{
              "0 envelope/substitutes/rs: 'R' cannot be told from the data of a label",
              "0 envelope/substitutes/eot: '<S>>' cannot be told from '<S>', which stands for gs"});
    label.substitutes = {"", "", "too-long-"};
    CHECK(mistakes(label) ==
          std::vector<std::string>{
              "0 envelope/substitutes/eot: 'too-long-' cannot be told from the data of a label"});
}

TEST_CASE("check characters where there can be none are mistakes") {
    CHECK(mistakes(bogie_message(), LabelCheck{CheckSystem::mod_37_36, CheckScope::label}) ==
          std::vector<std::string>{"0 check/over: a message has no check characters of its own"});
    CHECK(mistakes(bogie_columns(), LabelCheck{CheckSystem::vin, CheckScope::serial}) ==
          std::vector<std::string>{
              "0 check/system: 8 characters are checked, but the VIN check digit of 49 CFR 565 "
              "needs 17"});
    CHECK(mistakes(bogie_columns(), LabelCheck{CheckSystem::vin, CheckScope::label}) ==
          std::vector<std::string>{
              "0 check/system: 22 characters are checked, but the VIN check digit of 49 CFR 565 "
              "needs 17"});
    FixedLabel label = bogie_columns();
    label.serial.length = 2;
    CHECK(mistakes(label, LabelCheck{CheckSystem::mod_97_10, CheckScope::serial}) ==
          std::vector<std::string>{
              "0 check/system: 2 characters are checked, but ISO/IEC 7064 MOD 97-10 needs at least "
              "3"});
}

TEST_CASE("what is no symbology identifier, or stands there twice, is a mistake") {
    TicketRule rule{"D", PatternLabel{"(?P<serial>.+)"}, {"]d1", "d1", "]11", "]d", "]d1"}};
    CHECK(mistakes({rule}) ==
          std::vector<std::string>{"0 symbology_identifiers/1: 'd1' is no symbology identifier",
                                   "0 symbology_identifiers/2: ']11' is no symbology identifier",
                                   "0 symbology_identifiers/3: ']d' is no symbology identifier",
                                   "0 symbology_identifiers/4: ']d1' stands in the list twice"});
}

TEST_CASE("rules that could both fit one label are a mistake, rules that never can are none") {
    const auto alike = [](const TicketRule& one, const TicketRule& other) {
        const auto found = mistakes({one, other});
        if (!found.empty())
            CHECK(found ==
                  std::vector<std::string>{"1 : one label can fit both this rule and the rule of kind '" +
                                           one.kind + "' at place 0"});
        return !found.empty();
    };
    CHECK(alike(fixed_rule("D", "TM", 8), fixed_rule("F", "", 8)));
    CHECK(alike(fixed_rule("D", "TM", 8), fixed_rule("F", "", 8, "0")));
    CHECK_FALSE(alike(fixed_rule("D", "TM", 8), fixed_rule("F", "BF", 8)));
    CHECK_FALSE(alike(fixed_rule("D", "TM", 8), fixed_rule("F", "TM", 9)));
    CHECK_FALSE(alike(fixed_rule("D", "TM", 8, "0"), fixed_rule("F", "TM", 8, "1")));
    CHECK_FALSE(alike(fixed_rule("D", "TMX", 4), fixed_rule("F", "", 4, "YA")));  // they meet in column 3
    CHECK(alike(fixed_rule("D", "TMX", 4), fixed_rule("F", "", 4, "XA")));

    TicketRule symbol = fixed_rule("D", "", 5);
    symbol.symbology_identifiers = {"]C0"};
    CHECK(alike(symbol, fixed_rule("F", "", 8)));  // "]C0" may be its first three characters
    CHECK_FALSE(alike(symbol, fixed_rule("F", "TM", 8)));

    // The same reading twice contradicts nothing.
    CHECK_FALSE(alike(fixed_rule("D", "TM", 8), fixed_rule("D", "", 8)));

    const TicketRule message{"D", bogie_message()};
    EnvelopeLabel other = bogie_message();
    CHECK(alike(message, {"F", other}));
    other.serial.prefix = "BF";
    CHECK_FALSE(alike(message, {"F", other}));
    other.serial = {"25S", ""};
    CHECK_FALSE(alike(message, {"D", bogie_message()}));
    CHECK(alike(message, {"D", other}));
    CHECK_FALSE(alike({"D", bogie_message(), {"]d1"}}, {"F", bogie_message(), {"]Q3"}}));

    // A message with control characters is no label in columns; one that is typed can be.
    CHECK_FALSE(alike(message, fixed_rule("F", "", 24)));
    EnvelopeLabel typed = bogie_message();
    typed.substitutes = {"^", "|", "~"};
    CHECK(alike({"D", typed}, fixed_rule("F", "", 24)));
    CHECK_FALSE(alike({"D", typed}, fixed_rule("F", "", 6)));
    CHECK_FALSE(alike({"D", typed}, fixed_rule("F", "", 24, "#")));

    // Nor can elements of GS1 without an envelope, which need no control character.
    EnvelopeLabel elements;
    elements.format = EnvelopeFormat::element_strings;
    elements.serial = {"21", ""};
    TicketRule symbol_of_gs1{"D", elements, {"]d2"}};
    CHECK_FALSE(alike(symbol_of_gs1, fixed_rule("F", "TM", 24)));
    CHECK_FALSE(alike(symbol_of_gs1, fixed_rule("F", "", 5)));
    CHECK(alike(symbol_of_gs1, fixed_rule("F", "", 24)));
    CHECK_FALSE(alike(message, symbol_of_gs1));

    // Of patterns it cannot be told.
    CHECK_FALSE(alike({"D", PatternLabel{"(?P<serial>.*)"}}, fixed_rule("F", "", 8)));
}

TEST_CASE(
    "an example that the rules do not read as a label of its kind is a mistake, in the reader's words") {
    TicketRule columns{"D", bogie_columns()};
    columns.examples = {"D 40017 MB3  TM000871#", "D 40017 MB3  TM000871*"};
    TicketRule message{"F", bogie_message()};
    message.examples = {whole_message, "D 40017 MB3  TM000871#"};
    CHECK(check_examples({columns, message}) ==
          std::vector<TicketRuleFault>{
              {0, "examples/1",
               "the label 'D 40017 MB3  TM000871*' is no build ticket of this station: it fits kind D except "
               "that it ends with '*', not '#'",
               "correct the rule, or the example"},
              {1, "examples/1", "'D 40017 MB3  TM000871#' is read as a ticket of kind 'D'",
               "correct the rule, or the example"}});

    // A serial number that is cut short shows where two labels bear nearly the same one.
    TicketRule short_by_one = columns;
    std::get<FixedLabel>(short_by_one.content).serial.length -= 1;
    short_by_one.examples = {"D 40017 MB3  TM000871#", "D 40017 MB3  TM000872#", "D 40017 MB3  TM000871#"};
    CHECK(check_examples({short_by_one}) ==
          std::vector<TicketRuleFault>{{0, "examples/1",
                                        "'D 40017 MB3  TM000871#' and 'D 40017 MB3  TM000872#' both give the "
                                        "serial number 'TM00087', so "
                                        "that two units would be taken for one",
                                        "correct the rule, or the example"}});

    // A serial number of ten digits never has the check digit of a vehicle's seventeen characters.
    TicketRule vehicle{"V", PatternLabel{"(?P<serial>[0-9]{10})"}, {}, LabelCheck{CheckSystem::vin}};
    vehicle.examples = {"0123456789"};
    const auto never = check_examples({vehicle});
    REQUIRE(never.size() == 1);
    CHECK(never[0].key == "examples/0");
    CHECK(check_examples({{"V", PatternLabel{"("}, {}, {}, {"x"}}}).empty());
}

TEST_CASE("a rule says which parts its labels state") {
    CHECK(states({"D", bogie_columns()}, TicketPart::order));
    CHECK_FALSE(states(fixed_rule("D", "", 8), TicketPart::type));
    CHECK(states(fixed_rule("D", "", 8), TicketPart::serial));
    CHECK(states({"D", bogie_message()}, TicketPart::type));
    CHECK_FALSE(states({"D", PatternLabel{"(?P<serial>.)"}}, TicketPart::order));
    CHECK(states({"D", PatternLabel{"("}}, TicketPart::order));
}
