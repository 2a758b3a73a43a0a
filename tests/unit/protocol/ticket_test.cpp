#include <catch2/catch.hpp>

#include "protocol/ticket.hpp"

using namespace tautgate::protocol;

namespace {

const std::vector<TicketRule> rules{
    {"D", PatternLabel{R"(D(?P<serial>\d{6})-(?P<order>\d{5})-(?P<type>[A-E]))"}},
    {"F", PatternLabel{R"(F(?P<serial>\d{6})-(?P<order>\d{5}))"}},
};

LabelReader reader() {
    auto compiled = LabelReader::compile(rules);
    REQUIRE(compiled);
    return std::move(*compiled);
}

std::string refusal(std::string_view text) {
    const auto ticket = reader().read(text);
    REQUIRE_FALSE(ticket);
    CHECK_FALSE(ticket.error().remedy.empty());
    return ticket.error().what;
}

std::vector<std::string> all_of(ScanSplitter& splitter) {
    std::vector<std::string> labels;
    while (auto label = splitter.next())
        labels.push_back(*label ? **label : "! " + label->error().what);
    return labels;
}

}  // namespace

TEST_CASE("a ticket's kind, serial number, order and type come from its label") {
    CHECK(reader().read("D000123-40017-B") == Ticket{"D", "000123", "40017", "B", "D000123-40017-B"});
    CHECK(reader().read("F000456-40017") == Ticket{"F", "000456", "40017", "", "F000456-40017"});
}

TEST_CASE("a label that is no ticket is refused and shown") {
    CHECK(refusal("X1") == "the label 'X1' is no build ticket of this station");
    CHECK(refusal("D000123-40017-BB") == "the label 'D000123-40017-BB' is no build ticket of this station: "
                                         "it fits kind D except that 'B' stands behind "
                                         "it");
    CHECK(refusal("D0001x3-40017-B") == "the label 'D0001x3-40017-B' is no build ticket of this station: it "
                                        "fits kind D except that after 'D' comes "
                                        "'0001x3-40017-B', where the serial number is expected");
    CHECK(refusal("D000123-4A017-B") ==
          "the label 'D000123-4A017-B' is no build ticket of this station: it fits kind D except that after "
          "'D000123-' comes '4A017-B', where the order is expected");
    CHECK(refusal("D000123") ==
          "the label 'D000123' is no build ticket of this station: it fits kind D except that "
          "it ends after 'D000123', where '-' is expected");
    CHECK(refusal("") == "the label is empty");
    CHECK(refusal("D000123\x1d-40017-B") == "the label 'D000123\\x1d-40017-B' holds control characters");
    CHECK(refusal("D\xff") == "the label 'D\\xff' is not UTF-8");
    CHECK(refusal(std::string(257, 'D')) == "the label is longer than 256 bytes");
}

TEST_CASE("a label that two kinds of ticket could claim is refused, never guessed") {
    const auto both = LabelReader::compile(
        {{"D", PatternLabel{R"((?P<serial>\d+))"}}, {"F", PatternLabel{R"((?P<serial>\d\d))"}}});
    REQUIRE(both);
    CHECK(both->read("12").error().what == "the label '12' can be read as a ticket of kind D and of kind F");
    CHECK(both->read("123")->kind == "D");
}

TEST_CASE("a label that leaves its pattern is told where, whatever the pattern is made of") {
    struct Left {
        std::string pattern;
        std::string label;
        std::string told;  // empty: nothing more than that it is no ticket
    };
    const std::vector<Left> all{
        {R"(D[\]\-x]{2}(?P<serial>\d+))", "D]-", "it ends after 'D]-', where the serial number is expected"},
        {R"(D[^]a]+;(?P<serial>\d+))", "Dbb:7", "it ends after 'Dbb:7', where ';' is expected"},
        {R"(D[[:digit:]]{3}(?P<serial>.+))", "D12x",
         "after 'D' comes '12x', where what fits '[[:digit:]]{3}'"},
        {R"(\x{44}\.(?:ab|c(?:d))+(?P<serial>\d+))", "D.abx",
         "after 'D.ab' comes 'x', where the serial number"},
        {R"(D(?P<type>(?:\(|x)y)?-(?P<serial>\d+))", "Dxz", "after 'D' comes 'xz', where '-' is expected"},
        {"\xc3\xbc+(?P<serial>\\d+)", "\xc3\xbc\xc3\xbcx", "comes 'x', where the serial number is expected"},
        {R"(D(?P<serial>\d+)|E(?P<serial>\d+))", "Dx", ""},
        {R"((?i)d(?P<serial>\d+))", "Dx", ""},
        {R"(D(?P<serial>\d+))", "Ex", ""}};
    for (const Left& left : all) {
        INFO(left.pattern);
        const auto one = LabelReader::compile({{"D", PatternLabel{left.pattern}}});
        REQUIRE(one);
        const auto read = one->read(left.label);
        REQUIRE_FALSE(read);
        if (left.told.empty())
            CHECK_THAT(read.error().what, Catch::EndsWith("is no build ticket of this station"));
        else
            CHECK_THAT(read.error().what, Catch::Contains(left.told));
    }
}

TEST_CASE("a pattern whose brace ends nowhere is refused or read like any other, and is soon done with") {
    CHECK_FALSE(LabelReader::compile({{"D", PatternLabel{R"((?P<serial>[A-Z]\p{L)"}}}));
    CHECK_FALSE(LabelReader::compile({{"D", PatternLabel{R"((?P<serial>\x{4)"}}}));
    for (const std::string pattern :
         {R"((\Q\p{\E)(?P<serial>.+))", R"(A(?P<serial>\d+){)", R"(A{(?P<serial>\d+)x[[:]y)"}) {
        INFO(pattern);
        const auto one = LabelReader::compile({{"D", PatternLabel{pattern}}});
        REQUIRE(one);
        CHECK_FALSE(one->read("A"));
    }
}

TEST_CASE("two patterns of one kind that read the same do not contradict each other") {
    const auto same = LabelReader::compile(
        {{"D", PatternLabel{R"((?P<serial>\d+))"}}, {"D", PatternLabel{R"((?P<serial>\d\d))"}}});
    REQUIRE(same);
    CHECK(same->read("12")->serial == "12");
}

TEST_CASE("an empty serial number is no serial number") {
    const auto loose = LabelReader::compile({{"D", PatternLabel{R"(D(?P<serial>\d*))"}}});
    REQUIRE(loose);
    CHECK(loose->read("D").error().what == "the label 'D' is no build ticket of this station: it fits kind D "
                                           "except that its serial number is empty");
}

TEST_CASE("mistakes in patterns are all found, each at its rule") {
    const auto compiled = LabelReader::compile({{"D", PatternLabel{"("}},
                                                {"", PatternLabel{R"((?P<serial>.+))"}},
                                                {"F", PatternLabel{R"(F(?P<order>\d+))"}},
                                                {"G", PatternLabel{R"((?P<serial>.+)(?P<colour>.))"}}});
    REQUIRE_FALSE(compiled);
    const auto& faults = compiled.error();
    REQUIRE(faults.size() == 4);
    CHECK((faults[0].rule == 0 && faults[0].key == "pattern"));
    CHECK((faults[1].rule == 1 && faults[1].key == "kind"));
    CHECK((faults[2].rule == 2 && faults[2].finding == "no group is named serial"));
    CHECK((faults[3].rule == 3 && faults[3].finding == "unknown group 'colour'"));
}

TEST_CASE("a scanner's bytes become labels whatever the line end and wherever they are cut") {
    const std::string sent = "D1\rF2\nD3\r\nF4\r\n";
    for (std::size_t cut = 0; cut <= sent.size(); ++cut) {
        CAPTURE(cut);
        ScanSplitter splitter;
        splitter.feed(std::string_view(sent).substr(0, cut));
        auto labels = all_of(splitter);
        splitter.feed(std::string_view(sent).substr(cut));
        for (const auto& label : all_of(splitter))
            labels.push_back(label);
        CHECK(labels == std::vector<std::string>{"D1", "F2", "D3", "F4"});
    }
}

TEST_CASE("a scan that is too long is reported once and the next one is read") {
    ScanSplitter splitter;
    splitter.feed(std::string(300, 'x'));
    CHECK(all_of(splitter) == std::vector<std::string>{"! the scan is longer than 256 bytes"});
    splitter.feed(std::string(300, 'x'));
    CHECK(all_of(splitter).empty());
    splitter.feed("yy\rD1\r");
    CHECK(all_of(splitter) == std::vector<std::string>{"D1"});
    splitter.feed(std::string(257, 'z') + "\rD2\r");
    CHECK(all_of(splitter) == std::vector<std::string>{"! the scan is longer than 256 bytes", "D2"});
}

TEST_CASE("half a label is abandoned with a word and never joined to the next") {
    ScanSplitter splitter;
    CHECK_FALSE(splitter.abandon());
    splitter.feed("D00");
    CHECK(all_of(splitter).empty());
    const auto half = splitter.abandon();
    REQUIRE(half);
    CHECK(half->what == "only part of a label came: 'D00'");
    // What ends next may be the rest of it.
    splitter.feed("F1\rF2\r");
    CHECK(all_of(splitter) ==
          std::vector<std::string>{
              "! 'F1' is the end of a label whose beginning was given up, or was scanned right after it",
              "F2"});
}

TEST_CASE("the end that comes late and alone closes the half, and the next label is read") {
    ScanSplitter splitter;
    splitter.feed("D00");
    REQUIRE(splitter.abandon());
    splitter.feed("\r\nD1\r\n");
    CHECK(all_of(splitter) == std::vector<std::string>{"D1"});
}

TEST_CASE("the rest of a scan that was too long is no label after a pause") {
    ScanSplitter splitter;
    splitter.feed(std::string(300, 'x'));
    CHECK(all_of(splitter).size() == 1);
    CHECK_FALSE(splitter.abandon());
    CHECK(splitter.awaits_rest());
    splitter.feed("D1\rD2\r");
    CHECK(all_of(splitter).size() == 2);
    splitter.feed("D3\r");
    CHECK(all_of(splitter) == std::vector<std::string>{"D3"});
}

TEST_CASE("when nothing of a half can come any more the next label is whole, unless it has begun before") {
    ScanSplitter splitter;
    splitter.feed("D00");
    REQUIRE(splitter.abandon());
    splitter.feed("D");
    splitter.forget_rest();
    splitter.feed("1\r");
    CHECK(all_of(splitter).at(0).starts_with("! 'D1' is the end"));
    splitter.feed("D00");
    REQUIRE(splitter.abandon());
    splitter.forget_rest();
    splitter.feed("D2\r");
    CHECK(all_of(splitter) == std::vector<std::string>{"D2"});
}

TEST_CASE("a label between STX and ETX is whole with its STX only, wherever it is cut") {
    const std::string sent = "\x02"
                             "D1\x03"
                             "F2\x03\x02"
                             "D3\x03";
    for (std::size_t cut = 0; cut <= sent.size(); ++cut) {
        CAPTURE(cut);
        ScanSplitter splitter(LabelEnd::etx);
        splitter.feed(std::string_view(sent).substr(0, cut));
        auto labels = all_of(splitter);
        splitter.feed(std::string_view(sent).substr(cut));
        for (const auto& label : all_of(splitter))
            labels.push_back(label);
        CHECK(labels == std::vector<std::string>{"D1", "! the label 'F2' came without STX before it", "D3"});
    }
    ScanSplitter splitter(LabelEnd::etx);
    splitter.feed("\x02"
                  "D00");
    CHECK(splitter.abandon()->what == "only part of a label came: 'D00'");
    // With its STX the next one is whole at once.
    splitter.feed("\x02"
                  "D1\x03");
    CHECK(all_of(splitter) == std::vector<std::string>{"D1"});
}
