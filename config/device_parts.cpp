#include <optional>
#include <utility>

#include <fmt/format.h>

#include "config/parts.hpp"

namespace tautgate::config {

namespace {

// A scanner as the file has it: the way to it is told by its key.
struct RawScanner : Scanner {
    std::optional<std::string> called_from;
};

Shape<RawScanner> raw_scanner_shape() {
    using protocol::LabelEnd;
    return Shape<RawScanner>()
        .required("id", &RawScanner::id, Identifier{})
        .required("bay", &RawScanner::bay, Identifier{})
        .optional("peer", &RawScanner::called_from, IpAddress{})
        .optional("serial", &RawScanner::serial, serial_line_shape())
        .optional(
            "label_end", &RawScanner::label_end,
            OneOf<LabelEnd>({{"line", LabelEnd::line}, {"tab", LabelEnd::tab}, {"etx", LabelEnd::etx}}));
}

// -- I/O modules

constexpr std::int64_t most_16_bit = 65535;
constexpr std::int64_t longest_pulse_ms = 60'000;

Shape<PulseInput> pulse_shape() {
    return Shape<PulseInput>()
        .optional("min_ms", &PulseInput::shortest, Whole(1, longest_pulse_ms))
        .optional("max_ms", &PulseInput::longest, Whole(1, longest_pulse_ms));
}

Shape<CountInput> count_shape() {
    return Shape<CountInput>()
        .optional("highest", &CountInput::highest, Whole(1, most_16_bit))
        .optional("least_apart_ms", &CountInput::least_apart, Whole(1, longest_pulse_ms));
}

Shape<ButtonInput> button_shape() {
    return Shape<ButtonInput>()
        .optional("pulse", &ButtonInput::pulse, pulse_shape())
        .optional("step", &ButtonInput::step, Identifier{});
}

Shape<PresentInput> present_shape() { return {}; }

Shape<MovedInput> moved_shape() {
    return Shape<MovedInput>().required("permissive", &MovedInput::permissive, Identifier{});
}

Shape<ArmInput> arm_shape() { return Shape<ArmInput>().required("tool", &ArmInput::tool, Identifier{}); }

// An input as the file has it: its use is told by its key.
struct RawInput : IoInput {
    std::optional<PulseInput> pulse;
    std::optional<CountInput> count;
    std::optional<ButtonInput> button;
    std::optional<PresentInput> present;
    std::optional<MovedInput> moved;
    std::optional<ArmInput> arm;
};

Shape<RawInput> raw_input_shape() {
    constexpr std::int64_t highest_bit_of_register = 15;
    constexpr std::int64_t longest_debounce_ms = 1000;
    return Shape<RawInput>()
        .required("id", &RawInput::id, Identifier{})
        .optional("table", &RawInput::table, register_table())
        .required("number", &RawInput::number, Whole(0, most_16_bit))
        .optional("bit", &RawInput::bit, Whole(0, highest_bit_of_register))
        .optional("active", &RawInput::active_low, OneOf<bool>({{"high", false}, {"low", true}}))
        .optional("debounce_ms", &RawInput::debounce, Whole(0, longest_debounce_ms))
        .optional("pulse", &RawInput::pulse, pulse_shape())
        .optional("count", &RawInput::count, count_shape())
        .optional("button", &RawInput::button, button_shape())
        .optional("present", &RawInput::present, present_shape())
        .optional("moved", &RawInput::moved, moved_shape())
        .optional("arm", &RawInput::arm, arm_shape());
}

auto io_input() {
    const auto convert = [](const RawInput& raw, Errors& errors, const Node& node, const std::string& pointer,
                            IoInput& out) {
        const int given = int{raw.pulse.has_value()} + int{raw.count.has_value()} +
                          int{raw.button.has_value()} + int{raw.present.has_value()} +
                          int{raw.moved.has_value()} + int{raw.arm.has_value()};
        if (given != 1) {
            errors.add(
                node, pointer,
                fmt::format("the input has {} of the keys pulse, count, button, present, moved and arm",
                            given),
                "give exactly one of them: what the input is for");
            return;
        }
        out = static_cast<const IoInput&>(raw);
        if (raw.pulse)
            out.use = *raw.pulse;
        else if (raw.count)
            out.use = *raw.count;
        else if (raw.button)
            out.use = *raw.button;
        else if (raw.present)
            out.use = *raw.present;
        else if (raw.moved)
            out.use = *raw.moved;
        else
            out.use = *raw.arm;
    };
    return Converted{raw_input_shape(), convert};
}

// An output as the file has it: a lamp of one colour, a sounder, or a sign of life.
struct RawOutput : IoOutput {
    std::optional<Signal> lamp;
    std::vector<Signal> sound;
    bool alive = false;
};

auto io_output() {
    auto shape = Shape<RawOutput>()
                     .required("number", &RawOutput::number, Whole(0, most_16_bit))
                     // The meanings of colours after IEC 60073: they are not for a description to change.
                     .optional("lamp", &RawOutput::lamp,
                               OneOf<Signal>({{"green", Signal::released},
                                              {"yellow", Signal::attention},
                                              {"red", Signal::wrong},
                                              {"blue", Signal::action}}))
                     .optional("sound", &RawOutput::sound,
                               ListOf(OneOf<Signal>({{"attention", Signal::attention},
                                                     {"wrong", Signal::wrong},
                                                     {"action", Signal::action}}),
                                      1, 3))
                     .optional("alive", &RawOutput::alive, Flag{});
    const auto convert = [](const RawOutput& raw, Errors& errors, const Node& node,
                            const std::string& pointer, IoOutput& out) {
        const int given = int{raw.lamp.has_value()} + int{!raw.sound.empty()} + int{raw.alive};
        if (given != 1) {
            errors.add(node, pointer, fmt::format("the output has {} of lamp, sound and alive", given),
                       "give exactly one of them: what the output is for");
            return;
        }
        out.number = raw.number;
        if (raw.alive)
            out.use = AliveOutput{};
        else if (raw.lamp)
            out.use = SignalOutput{{*raw.lamp}};
        else
            out.use = SignalOutput{raw.sound};
    };
    return Converted{std::move(shape), convert};
}

struct RawModule : IoModule {
    std::optional<std::string> called;
};

Shape<RawModule> raw_module_shape() {
    constexpr std::int64_t highest_unit_number = 255;
    constexpr std::int64_t longest_silence_ms = 60'000;
    return Shape<RawModule>()
        .required("id", &RawModule::id, Identifier{})
        .required("bay", &RawModule::bay, Identifier{})
        .optional("host", &RawModule::called, Host{})
        .optional("serial", &RawModule::serial, serial_line_shape())
        .optional("port", &RawModule::port, Whole(1, most_16_bit))
        .optional("unit", &RawModule::unit, Whole(0, highest_unit_number))
        .optional("poll_interval_ms", &RawModule::poll_interval, Whole(2, 5000))
        .optional("silence_limit_ms", &RawModule::silence_limit, Whole(20, longest_silence_ms))
        .optional("settling_ms", &RawModule::settling, Whole(0, longest_silence_ms))
        .optional("simulated", &RawModule::simulated, Flag{})
        .optional("inputs", &RawModule::inputs, ListOf(io_input(), 0, 64))
        .optional("outputs", &RawModule::outputs, ListOf(io_output(), 0, 64));
}

}  // namespace

Shape<SerialLine> serial_line_shape() {
    constexpr std::int64_t fastest = 4'000'000;
    return Shape<SerialLine>()
        .required("device", &SerialLine::device, Text())
        .optional("baud", &SerialLine::baud, Whole(300, fastest))
        .optional("parity", &SerialLine::parity,
                  OneOf<Parity>({{"none", Parity::none}, {"even", Parity::even}, {"odd", Parity::odd}}))
        .optional("stop_bits", &SerialLine::stop_bits, Whole(1, 2));
}

void ScannerObject::read(Errors& errors, const Node& node, const std::string& pointer, Scanner& out) const {
    const auto before = errors.count();
    RawScanner raw;
    static const auto shape = raw_scanner_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    if (raw.called_from.has_value() == raw.serial.has_value()) {
        errors.add(node, pointer,
                   raw.serial ? "the scanner has both peer and serial"
                              : "the scanner has neither peer nor serial",
                   "give peer if it calls over the network, serial if it hangs on a line of its own");
        return;
    }
    raw.peer = std::move(raw.called_from).value_or(std::string{});
    out = static_cast<Scanner&&>(raw);
}

void ScannerObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_scanner_shape().list(path, keys);
}

void IoModuleObject::read(Errors& errors, const Node& node, const std::string& pointer, IoModule& out) const {
    const auto before = errors.count();
    RawModule raw;
    static const auto shape = raw_module_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    if (raw.called.has_value() == raw.serial.has_value()) {
        errors.add(node, pointer,
                   raw.serial ? "the module has both host and serial"
                              : "the module has neither host nor serial",
                   "give either host or serial");
        return;
    }
    raw.host = std::move(raw.called).value_or(std::string{});
    out = static_cast<IoModule&&>(raw);
}

void IoModuleObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_module_shape().list(path, keys);
}

}  // namespace tautgate::config
