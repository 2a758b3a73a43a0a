#include "tools/cli/register_look.hpp"

#include <algorithm>
#include <span>
#include <utility>

#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "protocol/register_control.hpp"
#include "protocol/result_watch.hpp"
#include "protocol/text.hpp"
#include "protocol/trace_registers.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using protocol::BlockRange;
using protocol::ExplainedField;

namespace {

bool is_wholly_usable(const protocol::Explanation& part) {
    return part.understood &&
           std::ranges::all_of(part.fields, [](const auto& row) { return row.fault.empty(); });
}

}  // namespace

bool RegisterLook::understood() const noexcept {
    return fault.empty() && !torn && !parts.empty() && std::ranges::all_of(parts, is_wholly_usable);
}

std::vector<std::string> not_usable_in(const RegisterLook& look) {
    std::vector<std::string> names;
    for (const auto& part : look.parts)
        for (const ExplainedField& row : part.fields)
            if (!row.fault.empty())
                names.push_back(row.name);
    return names;
}

namespace {

std::string_view without_transaction(protocol::ModbusWire wire, std::string_view answer) {
    constexpr std::size_t number = 2;
    return wire == protocol::ModbusWire::tcp ? answer.substr(std::min(number, answer.size())) : answer;
}

// What is no answer in Modbus may be long.
std::string hex_words(std::string_view bytes) {
    constexpr std::size_t most = 64;
    if (bytes.size() <= most)
        return protocol::spaced_hex(bytes);
    return fmt::format("{} and {} more", protocol::spaced_hex(bytes.substr(0, most)),
                       protocol::counted(bytes.size() - most, "byte"));
}

}  // namespace

RegisterLooker::RegisterLooker(protocol::RegisterProfile profile, protocol::ModbusWire wire,
                               std::uint8_t unit, Ask ask)
    : profile_(std::move(profile)), wire_(wire), unit_(unit), ask_(std::move(ask)) {}

protocol::RequestHead RegisterLooker::next_head() noexcept { return {wire_, unit_, ++transaction_}; }

std::expected<std::optional<RegisterLooker::Words>, std::string>
RegisterLooker::read(const std::vector<BlockRange>& blocks, RegisterLook& look) {
    Words words;
    for (const BlockRange& block : blocks) {
        const std::string request = protocol::read_request(next_head(), block);
        const auto answer = ask_(request);
        if (!answer && answer.error().goes_on) {
            look.fault = look.trouble = answer.error().why;
            return std::nullopt;
        }
        if (!answer)
            return std::unexpected(answer.error().why);
        const auto part = protocol::answer_to(wire_, request, *answer);
        if (!part) {
            const auto told = [&](std::string_view bytes) {
                return fmt::format(
                    "{} from address {}: {}{}; {}",
                    protocol::counted(block.length, protocol::is_bit_table(block.table) ? "bit" : "register"),
                    block.start, part.error().what,
                    answer->empty() ? "" : fmt::format(" [{}]", hex_words(bytes)), part.error().remedy);
            };
            look.fault = told(*answer);
            look.trouble = told(without_transaction(wire_, *answer));
            return std::nullopt;
        }
        words.insert(words.end(), part->begin(), part->end());
    }
    return words;
}

std::expected<RegisterLook, std::string> RegisterLooker::look() {
    RegisterLook look;
    const auto blocks = protocol::reads_of(profile_);
    const auto words = read(blocks, look);
    if (!words)
        return std::unexpected(words.error());
    if (!*words) {
        last_.clear();
        return look;
    }
    if (**words != last_) {
        const auto second = protocol::second_read_of(profile_);
        const auto again = read(second ? std::vector{*second} : blocks, look);
        if (!again)
            return std::unexpected(again.error());
        if (!*again) {
            last_.clear();
            return look;
        }
        const std::size_t at =
            second ? protocol::offset_in(blocks, {second->table, second->start, second->length}).value_or(0)
                   : 0;
        look.torn = !std::ranges::equal(std::span(**words).subspan(at, (*again)->size()), **again);
    }
    last_ = look.torn ? Words{} : **words;
    look.parts.push_back(protocol::explain(profile_, **words));
    if (auto done = look_at_slot(look, **words); !done)
        return std::unexpected(std::move(done.error()));
    if (auto done = look_at_control(look); !done)
        return std::unexpected(std::move(done.error()));
    if (auto done = look_at_curve(look); !done)
        return std::unexpected(std::move(done.error()));
    return look;
}

std::expected<void, std::string> RegisterLooker::look_at_control(RegisterLook& look) {
    if (!profile_.control || !look.fault.empty())
        return {};
    const auto words = read(protocol::control_reads(profile_), look);
    if (!words)
        return std::unexpected(words.error());
    if (*words)
        look.parts.push_back(protocol::explain_control(profile_, **words));
    return {};
}

// The samples only where they are of another curve than those read before: they may take many requests.
std::expected<void, std::string> RegisterLooker::look_at_curve(RegisterLook& look) {
    if (!profile_.trace || !look.fault.empty())
        return {};
    const auto words = read({protocol::trace_head(profile_)}, look);
    if (!words)
        return std::unexpected(words.error());
    if (!*words)
        return {};
    look.parts.push_back(protocol::explain_trace_head(profile_, **words));
    const auto head = protocol::trace_head_in(profile_, **words);
    if (!head || head->samples == 0)
        return {};
    if (**words != head_)
        if (auto done = read_curve(look, **words, head->samples); !done)
            return done;
    if (**words == head_)
        look.parts.back().whole += ": " + curve_;
    return {};
}

std::expected<void, std::string> RegisterLooker::read_curve(RegisterLook& look, const Words& head,
                                                            std::size_t samples) {
    const auto plan = protocol::plan_trace(profile_, samples);
    const auto words = read(plan.blocks, look);
    if (!words)
        return std::unexpected(words.error());
    const auto again = *words ? read({protocol::trace_head(profile_)}, look) : words;
    if (!again)
        return std::unexpected(again.error());
    if (!*words || !*again)
        return {};
    if (**again != head) {
        look.torn = true;
        return {};
    }
    Words all = head;
    all.insert(all.end(), (*words)->begin(), (*words)->end());
    const auto trace = protocol::decode_samples(plan.layout, protocol::wire_bytes(all), profile_.range);
    head_ = head;
    curve_ = trace ? protocol::trace_words(*trace) : "not taken, " + trace.error();
    look.parts.back().understood = trace.has_value();
    return {};
}

std::expected<void, std::string> RegisterLooker::look_at_slot(RegisterLook& look, const Words& words) {
    const auto slot = protocol::newest_slot(profile_, words);
    if (!slot)
        return {};
    // As the service does: the count of a slot alone would not tell of a tool that writes it first.
    const auto first = read({*slot}, look);
    if (!first)
        return std::unexpected(first.error());
    if (!*first)
        return {};
    const auto again = read({*slot}, look);
    if (!again)
        return std::unexpected(again.error());
    if (!*again)
        return {};
    look.torn = look.torn || **first != **again;
    look.parts.push_back(protocol::explain_slot(profile_, *slot, **first));
    return {};
}

std::expected<bool, std::string> RegisterLooker::tell(const std::string& request) {
    const auto answer = ask_(request);
    if (!answer)
        return std::unexpected(answer.error().why);
    if (const auto done = protocol::answer_to(wire_, request, *answer); !done)
        return std::unexpected(
            fmt::format("the acknowledgement was not taken: {}; {}", done.error().what, done.error().remedy));
    return true;
}

std::expected<bool, std::string> RegisterLooker::acknowledge() {
    if (last_.empty() || !protocol::waits_for_the_station(profile_))
        return false;
    if (profile_.acknowledge) {
        const auto counter = protocol::counter_in(profile_, last_);
        if (!counter || *counter == told_)
            return false;
        told_ = counter;
        return tell(protocol::write_request(next_head(), *profile_.acknowledge,
                                            protocol::acknowledge_words(profile_, *counter)));
    }
    const protocol::Handshake& handshake = *profile_.handshake;
    const bool ready = protocol::is_ready(profile_, last_);
    if (ready == shaken_)
        return false;
    shaken_ = ready;
    const std::uint16_t value = ready ? handshake.value : handshake.cleared;
    if (handshake.table == protocol::RegisterTable::coils)
        return tell(protocol::coil_request(next_head(), handshake.address, value != 0));
    return tell(protocol::write_request(next_head(), handshake.address, {&value, 1}));
}

// ---- as text --------------------------------------------------------------------------------------------

namespace {

bool same_row(const ExplainedField& row, const ExplainedField& other) {
    return row.name == other.name && row.place == other.place;
}

// A row that was not there before is new, and no change; neither is the first look.
bool has_changed(const ExplainedField& row, const RegisterLook* before) {
    if (before == nullptr)
        return false;
    for (const auto& part : before->parts)
        for (const ExplainedField& old : part.fields)
            if (same_row(row, old))
                return old.words != row.words;
    return true;
}

// Of one register "104", of several "104-105".
std::string addresses(const protocol::FieldPlace& place, std::uint32_t base) {
    const std::uint32_t first = place.address + base;
    return place.count > 1 ? fmt::format("{}-{}", first, first + place.count - 1) : fmt::format("{}", first);
}

std::string raw_words(const ExplainedField& row) {
    if (protocol::is_bit_table(row.place.table))
        return fmt::format("{}", fmt::join(row.words, " "));
    return fmt::format("{:04X}", fmt::join(row.words, " "));
}

std::string what_it_says(const ExplainedField& row) {
    if (!row.fault.empty())
        return fmt::format("{}; {}", row.fault, row.remedy);
    return row.name.empty() ? "no field of the profile" : row.meaning;
}

std::vector<Cell> cells_of_row(const ExplainedField& row, bool changed, bool orders) {
    const bool faulty = !row.fault.empty();
    std::string mark = changed ? "changed" : "";
    if (faulty)
        mark += changed ? ", ?" : "?";
    const Colour colour = faulty ? Colour::red : changed ? Colour::yellow : Colour::none;
    std::vector<Cell> cells{{mark, colour},
                            {addresses(row.place, 0)},
                            {addresses(row.place, 1)},
                            {boost::describe::enum_to_string(row.place.table, "")},
                            {raw_words(row)},
                            {row.name.empty() ? "-" : row.name},
                            {row.unit.empty() ? row.value : row.value + " " + row.unit, colour}};
    if (orders) {
        const auto in = [&](protocol::WordOrder order, const std::string& text) {
            return Cell{row.order == order ? text + " <" : text};
        };
        const auto every = row.orders.value_or(protocol::EveryOrder{});
        cells.push_back(in(protocol::WordOrder::abcd, every.abcd));
        cells.push_back(in(protocol::WordOrder::cdab, every.cdab));
        cells.push_back(in(protocol::WordOrder::badc, every.badc));
        cells.push_back(in(protocol::WordOrder::dcba, every.dcba));
    }
    cells.push_back({what_it_says(row), faulty ? Colour::red : Colour::none});
    return cells;
}

std::vector<std::string> heads_of_look(bool orders) {
    std::vector<std::string> heads{"", "from 0", "from 1", "table", "raw", "field", "value"};
    if (orders)
        heads.insert(heads.end(), {"abcd", "cdab", "badc", "dcba"});
    heads.emplace_back("says");
    return heads;
}

std::string ends_of(const RegisterLook& look, const std::string& fault) {
    std::string text;
    if (look.torn)
        text += "  it was written while it was read: two reads in a row differ; the service reads again\n";
    for (const auto& part : look.parts)
        text += fmt::format("  {}\n", plain(part.whole));
    if (!fault.empty())
        text += fmt::format("  {}\n", plain(fault));
    return text;
}

const std::string& trouble_of(const RegisterLook& look) {
    return look.trouble.empty() ? look.fault : look.trouble;
}

// Of a look that brought nothing, only what went wrong is compared: the look before it may hold what an
// earlier one brought.
bool ends_alike(const RegisterLook& look, const RegisterLook& before) {
    if (look.parts.empty())
        return trouble_of(look) == trouble_of(before);
    return ends_of(look, trouble_of(look)) == ends_of(before, trouble_of(before));
}

}  // namespace

std::string look_text(const RegisterLook& look, const RegisterLook* before, const LookStyle& how) {
    constexpr std::size_t indent = 2;
    Table table(heads_of_look(how.orders));
    for (const auto& part : look.parts)
        for (const ExplainedField& row : part.fields) {
            const bool changed = has_changed(row, before);
            if (changed || !how.only_changed || before == nullptr)
                table.row(cells_of_row(row, changed, how.orders));
        }
    const std::string ends = ends_of(look, look.fault);
    if (table.empty() && how.only_changed && before != nullptr && ends_alike(look, *before))
        return "";
    return (table.empty() ? "" : table.text(how.style.colours, indent, how.style.screen)) + ends;
}

nlohmann::ordered_json look_json(const RegisterLook& look, const RegisterLook* before) {
    using nlohmann::ordered_json;
    ordered_json fields = ordered_json::array();
    ordered_json whole = ordered_json::array();
    for (const auto& part : look.parts) {
        whole.push_back(part.whole);
        for (const ExplainedField& row : part.fields) {
            ordered_json words = ordered_json::array();
            for (const std::uint16_t word : row.words)
                words.push_back(fmt::format("{:04X}", word));
            ordered_json object{{"field", row.name},
                                {"table", boost::describe::enum_to_string(row.place.table, "")},
                                {"address", row.place.address},
                                {"address_from_one", row.place.address + 1},
                                {"words", std::move(words)},
                                {"value", row.value},
                                {"unit", row.unit},
                                {"meaning", row.meaning},
                                {"fault", row.fault},
                                {"remedy", row.remedy},
                                {"changed", has_changed(row, before)}};
            if (row.order)
                object["order"] = boost::describe::enum_to_string(*row.order, "");
            if (row.orders)
                object["orders"] = {{"abcd", row.orders->abcd},
                                    {"cdab", row.orders->cdab},
                                    {"badc", row.orders->badc},
                                    {"dcba", row.orders->dcba}};
            fields.push_back(std::move(object));
        }
    }
    return {{"understood", look.understood()},
            {"torn", look.torn},
            {"fault", look.fault},
            {"whole", std::move(whole)},
            {"fields", std::move(fields)}};
}

}  // namespace tautgate::cli
