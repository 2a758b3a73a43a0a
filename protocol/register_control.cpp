#include "protocol/register_control.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

#include "protocol/register_apart.hpp"
#include "protocol/register_image.hpp"

namespace tautgate::protocol {

namespace {

FieldPlace written_place(const ControlWrite& write) { return {write.table, write.address, 1}; }

class ControlChecker {
  public:
    ControlChecker(const RegisterProfile& profile, const RegisterControl& control)
        : profile_(profile), control_(control) {}

    std::vector<ProfileFault> run() {
        check_write("/control/enable", control_.enable);
        check_enable_values();
        check_read("/control/enabled", control_.enabled);
        if (control_.selected)
            check_read("/control/selected", *control_.selected);
        check_programs();
        check_apart("/control/enable", written_place(control_.enable));
        if (control_.program)
            check_apart("/control/program", {RegisterTable::holding, *control_.program, 1});
        return std::move(faults_);
    }

  private:
    void fault(std::string place, std::string finding, std::string remedy) {
        faults_.push_back({std::move(place), std::move(finding), std::move(remedy)});
    }

    void check_write(const std::string& place, const ControlWrite& write) {
        if (write.table != RegisterTable::holding && write.table != RegisterTable::coils)
            fault(place + "/table", "nothing can be written there", "use holding or coils");
        if (write.table == RegisterTable::coils && (write.on > 1 || write.off > 1))
            fault(place + "/on", "a coil holds 0 or 1", "use 0 and 1");
    }

    void check_enable_values() {
        if (control_.enable.on == control_.enable.off)
            fault("/control/enable/off", fmt::format("{} also lets the tool run", control_.enable.off),
                  "give two values that differ");
    }

    // One register by itself, so that it cannot be read torn.
    void check_read(const std::string& place, const RegisterField& field) {
        const bool bit = is_bit_table(field.table.value_or(profile_.table));
        if (field.type != (bit ? FieldType::bit : FieldType::uint16))
            fault(place + "/type", "what the tool says back stands in one register or bit",
                  bit ? "use bit" : "use uint16, with bits where it is part of a word");
        if (field.bits && field.bits->first + field.bits->count > 16)
            fault(place + "/bits", "the bits do not fit into 16", "count them from the lowest, which is 0");
        if (field.bits && field.bits->count == 0)
            fault(place + "/bits", "no bits", "give a count of 1 or more");
        if (field.scale != Decimal{1, 0} || field.offset != Decimal{0, 0})
            fault(place + "/scale", "a code is not scaled", "leave scale and offset out");
    }

    void check_programs() {
        if (control_.program.has_value() != control_.selected.has_value())
            fault(control_.program ? "/control/selected" : "/control/program",
                  control_.program ? "the program is chosen and not read back"
                                   : "a program is read back that nobody chooses",
                  "give both, or neither");
        if (control_.program && control_.programs.empty())
            fault("/control/programs", "no program has a number",
                  "list the tool's programs, number and name");
        for (std::size_t i = 0; i < control_.programs.size(); ++i)
            check_program(i);
    }

    void check_program(std::size_t index) {
        const CodeText& program = control_.programs[index];
        const std::string place = fmt::format("/control/programs/{}", index);
        if (program.code < 0 || program.code > 0xFFFF)
            fault(place + "/code", fmt::format("{} does not fit into a register", program.code),
                  "give 0 to 65535");
        for (std::size_t i = 0; i < index; ++i) {
            if (control_.programs[i].code == program.code)
                fault(place + "/code", fmt::format("{} has another name already", program.code),
                      "give each program one name");
            if (control_.programs[i].text == program.text)
                fault(place + "/text", fmt::format("\"{}\" has another number already", program.text),
                      "give each program one number");
        }
    }

    // What the station writes must not destroy what the tool wrote, nor what else the station writes.
    void check_apart(const std::string& place, const FieldPlace& written) {
        const std::string at = place + (place.ends_with("enable") ? "/address" : "");
        if (auto kept = kept_by_tool(profile_, written))
            return fault(at, std::move(*kept), "give a register of its own, which the tool does not write");
        const auto acknowledged = acknowledged_at(profile_);
        const bool is_acknowledgement = acknowledged && overlap(written, *acknowledged);
        const bool shaken = profile_.handshake &&
                            overlap(written, {profile_.handshake->table, profile_.handshake->address, 1});
        const bool both = place == "/control/program" && overlap(written, written_place(control_.enable));
        if (is_acknowledgement || shaken || both)
            fault(at, fmt::format("register {} is written for something else, too", written.address),
                  "give a register of its own");
    }

    const RegisterProfile& profile_;
    const RegisterControl& control_;
    std::vector<ProfileFault> faults_;
};

}  // namespace

std::vector<BlockRange> control_reads(const RegisterProfile& profile) {
    const RegisterControl& control = *profile.control;
    std::vector<BlockRange> blocks;
    const auto add = [&](const RegisterField& field) {
        blocks.push_back({field.table.value_or(profile.table), field.address, 1});
    };
    add(control.enabled);
    if (control.selected)
        add(*control.selected);
    // One request where they are the same register or neighbours.
    if (blocks.size() == 2 && blocks[0].table == blocks[1].table) {
        const auto [low, high] = std::minmax(blocks[0].start, blocks[1].start);
        if (high - low <= 16)
            return {{blocks[0].table, low, static_cast<std::uint16_t>(high - low + 1)}};
    }
    return blocks;
}

std::expected<ControlSeen, DecodeFault> decode_control(const RegisterProfile& profile,
                                                       std::span<const std::uint16_t> words) {
    const RegisterControl& control = *profile.control;
    const auto blocks = control_reads(profile);
    const RegisterImage image(profile, blocks, words);
    if (auto fault = image.wrong_length())
        return std::unexpected(std::move(*fault));
    const auto enabled = image.whole("control", control.enabled);
    if (!enabled)
        return std::unexpected(enabled.error());
    ControlSeen seen{*enabled != 0, {}};
    if (control.selected) {
        const auto selected = image.whole("control", *control.selected);
        if (!selected)
            return std::unexpected(selected.error());
        seen.program = program_name(control, *selected);
    }
    return seen;
}

std::string program_name(const RegisterControl& control, std::uint64_t number) {
    const auto known = std::ranges::find_if(
        control.programs, [&](const CodeText& program) { return std::cmp_equal(program.code, number); });
    return known == control.programs.end() ? std::string{} : known->text;
}

std::optional<std::uint16_t> program_number(const RegisterControl& control, std::string_view name) {
    const auto known = std::ranges::find(control.programs, name, &CodeText::text);
    return known == control.programs.end() ? std::nullopt
                                           : std::optional(static_cast<std::uint16_t>(known->code));
}

std::vector<ProfileFault> check_control(const RegisterProfile& profile) {
    return profile.control ? ControlChecker(profile, *profile.control).run() : std::vector<ProfileFault>{};
}

}  // namespace tautgate::protocol
