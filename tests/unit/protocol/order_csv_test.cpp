// What an order file says, and how every mistake in it is named.
#include <algorithm>
#include <fstream>
#include <iterator>
#include <sstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/order_answer.hpp"
#include "protocol/order_csv.hpp"

using namespace tautgate::protocol;

namespace {

const OrderFormat comma{.separator = Separator::comma, .ticket_kinds = {"D", "F"}};

std::vector<OrderEntry> orders_in(std::string_view bytes, const OrderFormat& format = comma) {
    auto orders = read_orders(bytes, format);
    if (!orders)
        FAIL(orders.error().front().line << ": " << orders.error().front().what);
    return *std::move(orders);
}

// "3: what; remedy", one for each mistake.
std::vector<std::string> mistakes_in(std::string_view bytes, const OrderFormat& format = comma) {
    const auto orders = read_orders(bytes, format);
    REQUIRE_FALSE(orders);
    std::vector<std::string> words;
    for (const RowFault& fault : orders.error())
        words.push_back(std::to_string(fault.line) + ": " + fault.what + "; " + fault.remedy);
    return words;
}

using Words = std::vector<std::string>;

// The same without the remedies, of which each mistake has one.
Words findings_in(std::string_view bytes) {
    const auto orders = read_orders(bytes, comma);
    REQUIRE_FALSE(orders);
    Words words;
    for (const RowFault& fault : orders.error()) {
        words.push_back(std::to_string(fault.line) + ": " + fault.what);
        CHECK_FALSE(fault.remedy.empty());
    }
    return words;
}

std::string as_csv(const std::vector<OrderEntry>& orders, const OrderFormat& format) {
    struct Written {
        std::string action;
        const OrderContent* content = nullptr;
    };
    struct Content {
        Written operator()(const AddOrder& add) const { return {"add", &add.content}; }
        Written operator()(const ChangeOrder& change) const { return {"change", &change.content}; }
        Written operator()(const CancelOrder& /*cancel*/) const { return {"cancel"}; }
    };
    std::vector<std::string> names{"due", "sequence"};
    for (const std::string& kind : format.ticket_kinds) {
        names.push_back(serial_column(kind));
        names.push_back(type_column(kind));
    }
    for (const char* name : {"variant", "order", "action"})
        names.emplace_back(name);
    std::string csv = csv_line(names, format.separator);
    for (const OrderEntry& entry : orders) {
        const Written row = std::visit(Content{}, entry.action);
        const OrderContent nothing;
        const OrderContent& content = row.content == nullptr ? nothing : *row.content;
        Words fields{content.due_utc_us ? utc_text(*content.due_utc_us) : "",
                     content.sequence ? std::to_string(*content.sequence) : ""};
        for (const std::string& kind : format.ticket_kinds) {
            const auto ticket = std::ranges::find(content.tickets, kind, &ExpectedTicket::kind);
            fields.push_back(ticket == content.tickets.end() ? "" : ticket->serial);
            fields.push_back(ticket == content.tickets.end() ? "" : ticket->type);
        }
        for (const std::string& field : {content.variant, entry.order, row.action})
            fields.push_back(field);
        csv += csv_line(fields, format.separator);
    }
    return csv;
}

std::string some_name() {
    return *rc::gen::container<std::string>(rc::gen::element<char>('a', '"', ';', ',', '7', '='));
}

// The one in the given place of its file; whatever may stand there once only ends with the place.
OrderEntry some_entry(std::size_t place, const OrderFormat& format) {
    const std::string number = std::to_string(place);
    OrderContent content{.variant = some_name() + "v", .tickets = {}, .sequence = {}, .due_utc_us = {}};
    for (const std::string& kind : format.ticket_kinds) {
        ExpectedTicket ticket{kind, some_name(), some_name() + number};
        if (*rc::gen::arbitrary<bool>())
            content.tickets.push_back(std::move(ticket));
    }
    if (*rc::gen::arbitrary<bool>())
        content.sequence = static_cast<std::uint32_t>(place) + 1;
    if (*rc::gen::arbitrary<bool>())
        content.due_utc_us = *rc::gen::inRange<std::int64_t>(0, 4'000'000'000'000'000);
    const auto action =
        *rc::gen::element<OrderAction>(AddOrder{content}, ChangeOrder{content}, CancelOrder{});
    return {place + 2, some_name() + number, action};
}

}  // namespace

TEST_CASE("each row adds, changes or cancels one order, whatever the order of the columns") {
    const auto orders = orders_in("order,action,serial_F,type_D,variant,due,sequence\r\n"
                                  "40017,add,000456,B,express,2026-11-26T06:00:00+01:00,12\r\n"
                                  "40018,change,,,plain,,\r\n"
                                  "40019,cancel,,,,,\r\n");
    const OrderContent express{.variant = "express",
                               .tickets = {{"D", "B", ""}, {"F", "", "000456"}},
                               .sequence = 12,
                               .due_utc_us = 1'795'669'200'000'000};
    const OrderContent plain{.variant = "plain", .tickets = {}, .sequence = {}, .due_utc_us = {}};
    CHECK(orders == std::vector<OrderEntry>{{2, "40017", AddOrder{express}},
                                            {3, "40018", ChangeOrder{plain}},
                                            {4, "40019", CancelOrder{}}});
}

TEST_CASE("columns that an order can do without may be left out, and a file without an order is rejected") {
    CHECK(orders_in("action,order,variant\nadd,1,plain").size() == 1);
    for (const char* end : {"", "\n", "\r\n"})
        CHECK(mistakes_in(std::string("action,order,variant") + end) ==
              Words{"1: no order is in it; write a row for each order below the names of the columns"});
}

TEST_CASE("a file that is no table of orders is told so, and nothing more of it") {
    const Words no_table{
        "1: this is no table of orders: the first line names none of its columns; send a file "
        "whose first line names them: action, order, variant, sequence, due, type_D, serial_D, "
        "type_F, serial_F"};
    CHECK(mistakes_in("{\n    \"id\": \"small\",\n    \"name\": \"Small station\"\n}\n") == no_table);
    CHECK(mistakes_in("{\"id\": \"small\",\n \"name\": \"Small station\"}\n") == no_table);
    CHECK(mistakes_in("PK\x03\x04\n\"x\"y\n") == no_table);
    CHECK(mistakes_in("\nadd,1,plain\n") == no_table);
    CHECK(mistakes_in("colour,size\nred,4\n") == no_table);
    // Its names are only spoilt.
    CHECK(mistakes_in("Action,Order,Variant\nadd,1,plain\n").size() == 3);
    CHECK(mistakes_in("\xEF\xBB\xBF\"action\",\"order\"s,variant\nadd,1,plain\n\"x\"y,,\n").size() == 2);
}

TEST_CASE("an order file may come from a spreadsheet: with a byte order mark and semicolons") {
    const OrderFormat semicolon{.separator = Separator::semicolon, .ticket_kinds = {"D"}};
    const auto orders = orders_in("\xEF\xBB\xBF"
                                  "action;order;variant\r\nadd;1;\"a,\"\"b\"\";c\"\r\n",
                                  semicolon);
    REQUIRE(orders.size() == 1);
    CHECK(std::get<AddOrder>(orders[0].action).content.variant == "a,\"b\";c");
}

TEST_CASE("all mistakes of a file are told, each with the line in which its row begins") {
    CHECK(findings_in("action,order,variant,sequence,due\n"
                      "add,,plain,0,\n"
                      "remove,40018,plain,,tomorrow\n"
                      "add,40019,\"pla\nin\",,\n"
                      "cancel,40020,plain,,\n"
                      "add,40021,plain\n"
                      "\n"
                      "add,40022, plain,,\n"
                      "add,40023,plain,,\"2026\"11\n"
                      ",40024,plain,,\n") ==
          Words{"2: order is empty", "2: sequence is '0', which is no number",
                "3: due is 'tomorrow', which is no time", "3: action is 'remove', which is none",
                "4: variant is 'pla\\x0ain', which holds something that is not seen",
                "6: the order is cancelled, and variant is 'plain'",
                "7: the number of fields is 3, and that of columns 5", "8: the line is empty",
                "9: variant is ' plain', with a space at an end",
                "10: something follows the quote that closes field 5", "11: action is empty"});
}

TEST_CASE("a number that is only begun with digits, and a name with a space behind it, are mistakes") {
    for (const char* sequence : {"5x", "+5", "5 ", "-1", "4294967296", "1.5"}) {
        INFO(sequence);
        CHECK(mistakes_in("action,order,variant,sequence\nadd,1,plain," + std::string(sequence)).size() == 1);
    }
    CHECK(mistakes_in("action,order,variant\nadd,1 ,plain\n").size() == 1);
}

TEST_CASE("an unknown column is refused with the name that it probably was meant to be") {
    CHECK(mistakes_in("action,order,varaint\nadd,1,plain\n") ==
          Words{"1: there is no column 'varaint'; variant was probably meant"});
    CHECK(mistakes_in("action,order,variant,colour\n") ==
          Words{"1: there is no column 'colour'; the columns are action, order, variant, sequence, due, "
                "type_D, serial_D, type_F, serial_F"});
    CHECK(mistakes_in("action,variant,Variant,variant\n") ==
          Words{"1: there is no column 'Variant'; variant was probably meant",
                "1: the column variant stands twice; remove one of them",
                "1: the column order is missing; add it"});
}

TEST_CASE("a column of a kind that the station does not know is not guessed to be one of another kind") {
    CHECK(mistakes_in("action,order,variant,type_E\n") ==
          Words{"1: there is no column 'type_E'; the columns are action, order, variant, sequence, due, "
                "type_D, serial_D, type_F, serial_F"});
    CHECK(mistakes_in("action,order,variant,serail_D\n") ==
          Words{"1: there is no column 'serail_D'; serial_D was probably meant"});
    CHECK(mistakes_in("action,order,variant,type_f\n") ==
          Words{"1: there is no column 'type_f'; type_F was probably meant"});
}

TEST_CASE("a mistake in the header does not hide those in the rows") {
    CHECK(mistakes_in("action,order,variant,colour\nadd,,plain,red\n").size() == 2);
    CHECK(
        mistakes_in("action,order,\"variant\"s\nadd,,plain,red\n") ==
        Words{"1: something follows the quote that closes field 3; put the whole field in quotes and write a "
              "quote within it twice"});
}

TEST_CASE("a file with the other separator is told so, not read with it") {
    CHECK(
        mistakes_in("action;order;variant\nadd;1;plain\n") ==
        Words{"1: the columns are not separated by ','; write the file with the separator that the station's "
              "description names, or change it there"});
}

TEST_CASE("what may stand in a file once only is refused where it stands again") {
    CHECK(mistakes_in("action,order,variant,serial_D,serial_F,sequence\n"
                      "add,1,plain,7,7,5\n"
                      "cancel,1,,,,\n"
                      "add,2,plain,8,7,5\n") ==
          Words{"3: order is '1', as in line 2 already; give one row for each order",
                "4: serial_F is '7', as in line 2 already; a sub-assembly belongs to one order; correct one "
                "of the two",
                "4: sequence is '5', as in line 2 already; give each order a place of its own, or none"});
    // Alike for as long as a message shows them, and different all the same.
    const std::string begin(100, 'x');
    CHECK(orders_in("action,order,variant\nadd," + begin + "1,plain\nadd," + begin + "2,plain\n").size() ==
          2);
}

TEST_CASE("what a row with a mistake repeats is told with the mistake") {
    const std::string twice =
        "serial_D is '7', as in line 2 already; a sub-assembly belongs to one order; correct one of the two";
    CHECK(
        mistakes_in("action,order,variant,serial_D,serial_F,sequence\n"
                    "add,1,plain,7,,5\n"
                    "add,1,,8,,x\n"
                    "send,2,plain,9,,6\n"
                    "add,2,plain,7,,7\n") ==
        Words{"3: sequence is 'x', which is no number; give a whole number from 1 to 4294967295, or nothing",
              "3: variant is empty; fill it in",
              "3: order is '1', as in line 2 already; give one row for each order",
              "4: action is 'send', which is none; give add, change or cancel",
              "5: order is '2', as in line 4 already; give one row for each order", "5: " + twice});
}

TEST_CASE("a file that is empty, too large, in another encoding or full of mistakes is told in few words") {
    CHECK(mistakes_in("") == Words{"0: the file is empty; begin it with the names of its columns"});
    CHECK(mistakes_in("\xEF\xBB\xBF") ==
          Words{"0: the file is empty; begin it with the names of its columns"});
    CHECK(mistakes_in(std::string("\xFF\xFE"
                                  "a\0c\0",
                                  6)) == Words{"0: the file is UTF-16; save it as CSV in UTF-8"});
    CHECK(mistakes_in(std::string("\xFE\xFF\0a", 4)) ==
          Words{"0: the file is UTF-16; save it as CSV in UTF-8"});
    CHECK(mistakes_in(std::string(order_limits.bytes + 1, 'x')) ==
          Words{"0: the file has 1048577 bytes, more than 1048576; divide it into several files"});
    std::string many = "action,order,variant\n";
    for (int row = 0; row < 200; ++row)
        many += "add,,\n";
    const auto words = mistakes_in(many);
    CHECK(words.size() == 101);
    CHECK(words.back() == "51: there are 300 more mistakes; correct those first");
}

TEST_CASE("the most orders that a file may hold can be read, and one more is refused") {
    std::string file = "action,order,variant\n";
    for (std::size_t order = 1; order < order_limits.records; ++order)
        file += "add," + std::to_string(order) + ",plain\n";
    CHECK(orders_in(file).size() == order_limits.records - 1);
    CHECK(mistakes_in(file + "add,x,plain\n") ==
          Words{"2002: the file has more than 2001 rows; divide it into several files"});
}

TEST_CASE("orders that are written are read back as they were") {
    CHECK(rc::check("orders", [] {
        const OrderFormat format{.separator = *rc::gen::element(Separator::comma, Separator::semicolon),
                                 .ticket_kinds = {"D", "F"}};
        std::vector<OrderEntry> orders;
        const auto count = *rc::gen::inRange<std::size_t>(1, 6);
        while (orders.size() < count)
            orders.push_back(some_entry(orders.size(), format));
        const auto read = read_orders(as_csv(orders, format), format);
        RC_ASSERT(read.has_value());
        RC_ASSERT(*read == orders);
    }));
}

TEST_CASE("the answer names the file and says one sentence for each order or mistake") {
    const OrderFileName file{"monday.csv", "00ff"};
    const auto orders = orders_in("action,order,variant\nadd,\"4,7\",express\nchange,48,plain\ncancel,49,\n");
    CHECK(outcome_of(OrdersAccepted{orders}) == "accepted");
    CHECK(answer_csv(file, OrdersAccepted{orders}, Separator::comma) ==
          "line,answer\r\n"
          "0,the file monday.csv (SHA-256 00ff) is accepted; orders: 3\r\n"
          "2,\"order 4,7 is added, variant express\"\r\n"
          "3,\"order 48 is changed, variant plain\"\r\n"
          "4,order 49 is cancelled\r\n");
    const OrdersKnown known{{{2, "4,7", "open, variant express"}, {4, "49", "open, variant plain"}}};
    CHECK(outcome_of(known) == "accepted");
    CHECK(answer_csv(file, known, Separator::comma) ==
          "line,answer\r\n"
          "0,the file monday.csv (SHA-256 00ff) was accepted before and changes nothing now; orders: 2\r\n"
          "2,\"order 4,7 is open, variant express\"\r\n"
          "4,\"order 49 is open, variant plain\"\r\n");
    const OrdersRejected rejected{{{3, "order is empty", "fill it in"}}};
    CHECK(outcome_of(rejected) == "rejected");
    CHECK(answer_csv({"monday.csv", ""}, rejected, Separator::semicolon) ==
          "line;answer\r\n"
          "0;\"the file monday.csv is rejected and changes nothing; correct it and send it again\"\r\n"
          "3;\"order is empty; fill it in\"\r\n");
}

TEST_CASE("the examples of ORDERS.md are order files, and its table names every column") {
    std::ifstream in(std::string(TAUTGATE_SOURCE_DIR) + "/protocol/ORDERS.md");
    const std::string page{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    std::string example;
    std::istringstream lines(page);
    for (std::string line; std::getline(lines, line);)
        if (line.starts_with("    "))
            example += line.substr(4) + "\n";
    const auto orders = orders_in(example);
    CHECK(orders.size() == 3);
    for (const char* column : {"action", "order", "variant", "sequence", "due", "type_", "serial_"})
        CHECK(page.find("| `" + std::string(column)) != std::string::npos);
}
