// Messages of ISO/IEC 15434 with the identifiers to which ISO/IEC 15418 refers.
#include <string>
#include <string_view>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/envelope.hpp"

using namespace tautgate::protocol;

namespace {

std::vector<MessageField> fields_of(std::string_view text,
                                    EnvelopeFormat format = EnvelopeFormat::data_identifiers) {
    CAPTURE(text);
    const auto fields = read_message(text, format);
    REQUIRE(fields);
    return *fields;
}

std::string refusal_of(std::string_view text, EnvelopeFormat format = EnvelopeFormat::data_identifiers) {
    CAPTURE(text);
    const auto fields = read_message(text, format);
    REQUIRE_FALSE(fields);
    CHECK_FALSE(fields.error().remedy.empty());
    return fields.error().what;
}

}  // namespace

TEST_CASE("messages of format 06 are read field by field") {
    // Built to the envelope rule of ISO/IEC 15434 (RS is 1E, GS 1D, EOT 04 in ISO/IEC 646); data invented.
    CHECK(fields_of("[)>\x1e"
                    "06\x1dP12345678\x1dSAB0001234\x1dV98765\x1e\x04") ==
          std::vector<MessageField>{{"P", "12345678"}, {"S", "AB0001234"}, {"V", "98765"}});
    CHECK(fields_of("[)>\x1e"
                    "06\x1d"
                    "25SUN123456789SER000042\x1e\x04") ==
          std::vector<MessageField>{{"25S", "UN123456789SER000042"}});
    CHECK(fields_of("[)>\x1e"
                    "06\x1d"
                    "1P4711-A\x1d"
                    "1TLOT20240131\x1dQ100\x1e\x04") ==
          std::vector<MessageField>{{"1P", "4711-A"}, {"1T", "LOT20240131"}, {"Q", "100"}});
    CHECK(fields_of("[)>\x1e"
                    "06\x1dP12345678\x1e"
                    "06\x1dSAB0001234\x1e\x04") ==
          std::vector<MessageField>{{"P", "12345678"}, {"S", "AB0001234"}});
}

TEST_CASE("what ISO/IEC 15434 does not let pass is no message") {
    CHECK(refusal_of("[)>\x1e"
                     "06\x1dSAB0001234") == "EOT is missing at its end, as in a message that is cut off");
    CHECK(refusal_of("[)>\x1e"
                     "06\x1dSAB0001234\x04") == "RS is missing before the EOT at its end");
    CHECK(refusal_of("[)<\x1e"
                     "06\x1dSAB0001234\x1e\x04") == "it does not begin with the header \"[)>\"");
    CHECK(refusal_of("[)>06\x1dSAB0001234\x1e\x04") == "RS is missing after its header \"[)>\"");
    CHECK(refusal_of("[)>\x1e"
                     "06\x1dS\x1e\x04") == "its field S holds no data");
    CHECK(refusal_of("[)>\x1e"
                     "99\x1dSAB0001234\x1e\x04") == "it holds format '99' where 06 is expected");
    CHECK(refusal_of("[)>06SAB0001234") == "it came without RS, GS and EOT");
}

TEST_CASE("data identifiers have the form that ANSI MH10.8.2 gives them") {
    // Those that the standard lists among others, by way of a copy of its table in an open library.
    for (const std::string_view identifier :
         {"P", "1P", "Q", "S",  "1S", "15S", "18S", "20S", "25S", "37S", "42S",
          "T", "1T", "V", "1V", "D",  "16D", "1J",  "I",   "K",   "1K",  "18K"})
        CHECK_FALSE(identifier_fault(identifier, EnvelopeFormat::data_identifiers));
    for (const std::string_view wrong : {"", "1", "s", "SS", "1234S", "S1", "21", "-S"})
        CHECK(identifier_fault(wrong, EnvelopeFormat::data_identifiers));
}

TEST_CASE("application identifiers are those of the GS1 syntax dictionary") {
    // The identifiers and the flag "predefined length" of the GS1 Barcode Syntax Dictionary (Apache
    // License 2.0), release of 2023, the first and last of each range; 0: no predefined length.
    struct Row {
        std::string_view identifier;
        std::size_t predefined;
    };
    for (const Row& row :
         {Row{"00", 18},  Row{"01", 14},  Row{"02", 14},  Row{"10", 0},   Row{"11", 6},   Row{"12", 6},
          Row{"13", 6},   Row{"15", 6},   Row{"16", 6},   Row{"17", 6},   Row{"20", 2},   Row{"21", 0},
          Row{"22", 0},   Row{"235", 0},  Row{"240", 0},  Row{"241", 0},  Row{"242", 0},  Row{"243", 0},
          Row{"250", 0},  Row{"251", 0},  Row{"253", 0},  Row{"254", 0},  Row{"255", 0},  Row{"30", 0},
          Row{"3100", 6}, Row{"3165", 6}, Row{"3200", 6}, Row{"3299", 6}, Row{"3300", 6}, Row{"3495", 6},
          Row{"3500", 6}, Row{"3575", 6}, Row{"3600", 6}, Row{"3695", 6}, Row{"37", 0},   Row{"3900", 0},
          Row{"3943", 0}, Row{"3955", 0}, Row{"400", 0},  Row{"401", 0},  Row{"402", 0},  Row{"403", 0},
          Row{"410", 13}, Row{"414", 13}, Row{"417", 13}, Row{"420", 0},  Row{"427", 0},  Row{"4300", 0},
          Row{"4333", 0}, Row{"7001", 0}, Row{"7040", 0}, Row{"710", 0},  Row{"715", 0},  Row{"7230", 0},
          Row{"7242", 0}, Row{"8001", 0}, Row{"8020", 0}, Row{"8110", 0}, Row{"8112", 0}, Row{"8200", 0},
          Row{"90", 0},   Row{"99", 0}}) {
        CAPTURE(row.identifier);
        CHECK_FALSE(identifier_fault(row.identifier, EnvelopeFormat::application_identifiers));
        // Data of predefined length needs no separator behind it, any other data goes on to the next.
        const std::string data(row.predefined == 0 ? 5 : row.predefined, '1');
        const std::string text = "[)>\x1e"
                                 "05\x1d" +
                                 std::string(row.identifier) + data + "99X\x1e\x04";
        const std::vector<MessageField> wanted =
            row.predefined == 0 ? std::vector<MessageField>{{std::string(row.identifier), data + "99X"}}
                                : std::vector<MessageField>{{std::string(row.identifier), data}, {"99", "X"}};
        CHECK(fields_of(text, EnvelopeFormat::application_identifiers) == wanted);
    }
    for (const std::string_view wrong : {"",   "0",  "05", "14", "18", "23", "2A", "31",  "310", "38",
                                         "44", "50", "69", "73", "79", "83", "89", "211", "S",   "01 "})
        CHECK(identifier_fault(wrong, EnvelopeFormat::application_identifiers));
}

TEST_CASE("messages of format 05 are read with and without a separator behind predefined lengths") {
    const std::vector<MessageField> wanted{{"01", "98412345678908"}, {"17", "260131"}, {"21", "TM000871"}};
    CHECK(fields_of("[)>\x1e"
                    "05\x1d"
                    "0198412345678908"
                    "17260131"
                    "21TM000871\x1e\x04",
                    EnvelopeFormat::application_identifiers) == wanted);
    CHECK(fields_of("[)>\x1e"
                    "05\x1d"
                    "0198412345678908\x1d"
                    "17260131\x1d"
                    "21TM000871\x1e\x04",
                    EnvelopeFormat::application_identifiers) == wanted);
    CHECK(refusal_of("[)>\x1e"
                     "05\x1d"
                     "019841234567890\x1e\x04",
                     EnvelopeFormat::application_identifiers) ==
          "its field 01 has '9841234567890' where 14 digits belong");
    CHECK(refusal_of("[)>\x1e"
                     "05\x1d"
                     "4412\x1e\x04",
                     EnvelopeFormat::application_identifiers) ==
          "its field '4412' begins with no application identifier");
}

TEST_CASE("elements of GS1 come without an envelope as a scanner transmits them") {
    // The example of the GS1 documentation of an open barcode generator: FNC1 at the front becomes the
    // symbology identifier, which is taken off before, and FNC1 behind data of no predefined length becomes
    // GS.
    CHECK(fields_of("0109521234543213"
                    "17100101"
                    "10123ABC\x1d"
                    "211234567890",
                    EnvelopeFormat::element_strings) ==
          std::vector<MessageField>{
              {"01", "09521234543213"}, {"17", "100101"}, {"10", "123ABC"}, {"21", "1234567890"}});
    CHECK(refusal_of("10123ABC\x1d", EnvelopeFormat::element_strings) == "a field of it is empty");
    CHECK(refusal_of("TM000871", EnvelopeFormat::element_strings) ==
          "its field 'TM000871' begins with no application identifier");
}
