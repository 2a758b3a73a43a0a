// Check characters against ISO/IEC 7064:2003, the GS1 General Specifications and 49 CFR 565.15(c). The
// source of each value stands beside it.
#include <array>
#include <fstream>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/check_character.hpp"

using namespace tautgate::protocol;

namespace {

struct Checked {
    CheckSystem system;
    std::string_view text;  // with its check characters
    std::string_view check;
};

void expect_right(const Checked& one) {
    CAPTURE(name_of(one.system), one.text);
    CHECK(expected_check(one.system, one.text).value_or("none") == one.check);
    CHECK_FALSE(check_fault(one.system, one.text));
}

}  // namespace

TEST_CASE("the examples of ISO/IEC 7064 come out as the standard has them") {
    // "ISO79" is the example of its section 8.2, as two open implementations quote it with that number; the
    // others are quoted as its examples by an implementation in Rust and by python3-stdnum 1.18.
    for (const Checked& one :
         {Checked{CheckSystem::mod_11_2, "07940", "0"}, Checked{CheckSystem::mod_11_2, "079X", "X"},
          Checked{CheckSystem::mod_97_10, "79444", "44"}, Checked{CheckSystem::mod_97_10, "079444", "44"},
          Checked{CheckSystem::mod_1271_36, "ISO793W", "3W"}, Checked{CheckSystem::mod_11_10, "07945", "5"}})
        expect_right(one);
}

TEST_CASE("check characters published with open libraries come out the same") {
    for (const Checked& one : {
             // Documentation of python3-stdnum 1.18.
             Checked{CheckSystem::mod_11_10, "794623", "3"},
             Checked{CheckSystem::mod_11_10, "002006673085", "5"},
             Checked{CheckSystem::mod_37_36, "A12425GABC1234002M", "M"},
             Checked{CheckSystem::mod_37_2, "G123489654321Y", "Y"},
             Checked{CheckSystem::mod_97_10, "9999123456789012141490", "90"},
             Checked{CheckSystem::mod_97_10, "435411161155111431", "31"},
             Checked{CheckSystem::mod_97_10, "2218132140253432144670161135", "35"},
             // Letters as two digits: an example of ISO 17442 there; the specimen of ISO 13616, from memory.
             Checked{CheckSystem::mod_97_10, "213800KUD8LAJWSQ9D15", "15"},
             Checked{CheckSystem::mod_97_10, "WEST12345698765432GB82", "82"},
             // Test vectors of two JavaScript and one Java implementation of ISO/IEC 7064.
             Checked{CheckSystem::mod_661_26, "XKFSHTWWCOMYYASPSYTHJWCJ", "CJ"},
             Checked{CheckSystem::mod_661_26, "ABCDKN", "KN"},
             Checked{CheckSystem::mod_661_26, "BAISDLAFKBM", "BM"},
             Checked{CheckSystem::mod_1271_36, "ZZZZZZZZZZZZZZZZUU", "UU"},
             Checked{CheckSystem::mod_27_26, "JEJLMGJS", "S"},
             Checked{CheckSystem::mod_27_26, "MUFEMSTCATLITB", "B"},
             Checked{CheckSystem::mod_27_26, "VAQKBDHZQDYVZIATTNETJULCDAVRMQIEKIBDD", "D"},
             Checked{CheckSystem::mod_27_26, "OWNYDSZNWIBFVBRWRAU", "U"},
             Checked{CheckSystem::mod_37_2, "1234ABCDV", "V"},
         })
        expect_right(one);
}

TEST_CASE("two check characters that mean the same modulo the system are both right") {
    // Pairs of alternatives as an open implementation in Rust lists them; ISO/IEC 7064 asks for the sum.
    for (const Checked& one :
         {Checked{CheckSystem::mod_97_10, "9798", "98"}, Checked{CheckSystem::mod_97_10, "9701", "98"},
          Checked{CheckSystem::mod_661_26, "ZLZM", "ZM"}, Checked{CheckSystem::mod_661_26, "ZLAB", "ZM"},
          Checked{CheckSystem::mod_1271_36, "ZBZC", "ZC"}, Checked{CheckSystem::mod_1271_36, "ZB01", "ZC"}})
        expect_right(one);
}

TEST_CASE("check characters agree with those of another library on random texts") {
    const std::vector<std::pair<std::string, CheckSystem>> systems{
        {"mod_11_2", CheckSystem::mod_11_2},    {"mod_37_2", CheckSystem::mod_37_2},
        {"mod_97_10", CheckSystem::mod_97_10},  {"mod_11_10", CheckSystem::mod_11_10},
        {"mod_27_26", CheckSystem::mod_27_26},  {"mod_37_36", CheckSystem::mod_37_36},
        {"gs1_mod_10", CheckSystem::gs1_mod_10}};
    std::ifstream file(std::string(TAUTGATE_SOURCE_DIR) + "/tests/standards/protocol/check_characters.csv");
    std::string line;
    std::size_t rows = 0;
    while (std::getline(file, line)) {
        std::istringstream cells(line);
        std::string name;
        std::string text;
        std::string check;
        std::getline(cells, name, ',');
        std::getline(cells, text, ',');
        std::getline(cells, check, ',');
        for (const auto& [word, system] : systems)
            if (word == name) {
                ++rows;
                expect_right({system, text + check, check});
            }
    }
    CHECK(rows == 210);
}

TEST_CASE("GS1 check digits of every length come out as published") {
    for (const Checked& one : {
             Checked{CheckSystem::gs1_mod_10, "6291041500213", "3"},  // worked example of GS1, GTIN-13
             Checked{CheckSystem::gs1_mod_10, "8904000210037",
                     "7"},  // worked example of a GS1 member organisation
             Checked{CheckSystem::gs1_mod_10, "7300011000017", "7"},  // likewise
             Checked{CheckSystem::gs1_mod_10, "73513537", "7"},  // documentation of python3-stdnum, GTIN-8
             Checked{CheckSystem::gs1_mod_10, "98412345678908", "8"},  // there, GTIN-14
             Checked{CheckSystem::gs1_mod_10, "036000291452", "2"},  // GTIN-12, widely published, from memory
             Checked{CheckSystem::gs1_mod_10, "006141411234567890", "0"}  // SSCC, from memory
         })
        expect_right(one);
}

TEST_CASE("vehicle identification numbers are checked as 49 CFR 565 computes the check digit") {
    for (const Checked& one : {
             Checked{CheckSystem::vin, "1G4AH59H45G118341",
                     "4"},  // the sample calculation of 565.15(c), sum 411
             Checked{CheckSystem::vin, "1J9RP1A36A1644345",
                     "6"},  // NHTSA's outline for new manufacturers, sum 314
             Checked{CheckSystem::vin, "1M8GDM9AXKP042788", "X"},  // widely published, sum 351
             Checked{CheckSystem::vin, "11111111111111111", "1"}   // widely published test number, sum 89
         })
        expect_right(one);
}

TEST_CASE("texts that are wrong by their standard are refused for the reason") {
    struct Row {
        CheckSystem system;
        std::string_view text;
        std::string_view fault;
    };
    for (const Row& row : {
             Row{CheckSystem::mod_11_10, "794624",
                 "has the check character '4' where the rest of it asks for '3' by ISO/IEC 7064 MOD 11,10"},
             Row{CheckSystem::mod_11_10, "746923",
                 "has the check character '3' where the rest of it asks for '5' by ISO/IEC 7064 MOD 11,10"},
             Row{CheckSystem::mod_37_36, "A12425GABC1234002N",
                 "has the check character 'N' where the rest of it asks for 'M' by ISO/IEC 7064 MOD 37,36"},
             Row{CheckSystem::mod_97_10, "9999123456789012141491",
                 "has the check characters '91' where the rest of it asks for '90' by ISO/IEC 7064 MOD "
                 "97-10"},
             // 49 CFR 565.15: 17 characters, no I, O or Q.
             Row{CheckSystem::vin, "1M8GDM9A0KP042788",
                 "has the check character '0' where the rest of it asks for 'X' by the VIN check digit of 49 "
                 "CFR 565"},
             Row{CheckSystem::vin, "1M8GDM9AXKP04278",
                 "has 16 characters where the VIN check digit of 49 CFR 565 needs 17"},
             Row{CheckSystem::vin, "1M8GDM9AXKP0427889",
                 "has 18 characters where the VIN check digit of 49 CFR 565 needs 17"},
             Row{CheckSystem::vin, "IM8GDM9AXKP042788",
                 "has the character 'I' where the VIN check digit of 49 CFR 565 has none such"},
             Row{CheckSystem::vin, "1M8GDM9AXKPO42788",
                 "has the character 'O' where the VIN check digit of 49 CFR 565 has none such"},
             Row{CheckSystem::vin, "1Q8GDM9AXKP042788",
                 "has the character 'Q' where the VIN check digit of 49 CFR 565 has none such"},
             Row{CheckSystem::vin, "1m8gdm9axkp042788",
                 "has the character 'm' where the VIN check digit of 49 CFR 565 has none such"},
         }) {
        CAPTURE(row.text);
        CHECK(check_fault(row.system, row.text) == std::string(row.fault));
    }
}
