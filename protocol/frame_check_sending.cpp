#include <algorithm>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_check.hpp"
#include "protocol/frame_compose.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::chrono::milliseconds shortest_interval{100};
constexpr std::chrono::milliseconds longest_interval{60'000};
constexpr std::size_t most_digits = 20;
constexpr std::size_t most_on_connect = 8;

bool has_number(const FrameToSend& frame) {
    return std::ranges::any_of(
        frame, [](const FramePart& part) { return !std::holds_alternative<LiteralPart>(part); });
}

class SendingChecker {
  public:
    SendingChecker(FrameFaults& faults, const FrameProfile& profile)
        : faults_(faults), profile_(profile), has_framing_(faults.count() == 0) {}

    void run() {
        if (profile_.on_connect.size() > most_on_connect)
            faults_.add("/on_connect", fmt::format("{} frames", profile_.on_connect.size()),
                        fmt::format("give at most {}", most_on_connect));
        for (std::size_t i = 0; i < profile_.on_connect.size(); ++i)
            check_plain(fmt::format("/on_connect/{}", i), profile_.on_connect[i]);
        if (profile_.keep_alive)
            check_keep_alive(*profile_.keep_alive);
        if (profile_.acknowledge)
            check_acknowledge(*profile_.acknowledge);
        if (profile_.control)
            check_control(*profile_.control);
    }

  private:
    void check_parts(const std::string& pointer, const FrameToSend& frame) {
        if (frame.empty())
            faults_.add(pointer, "the frame is empty", "give its parts");
        for (std::size_t i = 0; i < frame.size(); ++i) {
            const auto here = fmt::format("{}/{}", pointer, i);
            const auto* digits = std::get_if<DigitsPart>(&frame[i]);
            const auto* number = std::get_if<NumberPart>(&frame[i]);
            if (digits != nullptr && digits->width > most_digits)
                faults_.add(here + "/digits/width", fmt::format("{} digits", digits->width),
                            fmt::format("give at most {}", most_digits));
            const bool fits = number == nullptr || (!is_fraction(number->type) && !is_signed(number->type) &&
                                                    number->type != FieldType::bit &&
                                                    (!number->one_byte || number->type == FieldType::uint16));
            if (!fits)
                faults_.add(here + "/number/type", "a count is a whole number without a sign",
                            "use uint8, uint16, uint32, uint64, bcd16 or bcd32");
        }
    }

    // Whether it can be sent with this number.
    void check_composed(const std::string& pointer, const FrameToSend& frame, std::uint64_t number) {
        if (!has_framing_)
            return;
        const auto composed = compose(profile_, frame, number);
        if (!composed)
            faults_.add(pointer, "it cannot be sent: " + composed.error(),
                        "correct its parts, or the framing");
    }

    // A frame in which no number stands.
    void check_plain(const std::string& pointer, const FrameToSend& frame) {
        const auto before = faults_.count();
        check_parts(pointer, frame);
        if (has_number(frame))
            faults_.add(pointer, "there is no number that could stand in it",
                        "write its digits as text or hex");
        if (faults_.count() == before)
            check_composed(pointer, frame, 0);
    }

    void check_keep_alive(const KeepAlive& keep_alive) {
        if (keep_alive.every < shortest_interval || keep_alive.every > longest_interval)
            faults_.add("/keep_alive/every_ms", fmt::format("every {} ms", keep_alive.every.count()),
                        "give 100 to 60000 ms");
        check_plain("/keep_alive/frame", keep_alive.frame);
    }

    void check_acknowledge(const FrameToSend& frame) {
        const std::string pointer = "/acknowledge";
        const auto before = faults_.count();
        check_parts(pointer, frame);
        const ResultMessage* result = result_of(profile_);
        if (result == nullptr || faults_.count() != before)
            return;
        if (!result->counter)
            faults_.add(pointer, "without a counter nobody knows which result is meant",
                        "name the counter, or leave this out");
        else
            check_composed(pointer, frame, result->counter->highest);
    }

    [[nodiscard]] bool some_status(bool (*says)(const StatusMessage&)) const {
        return std::ranges::any_of(profile_.messages, [says](const FrameMessage& message) {
            const auto* status = std::get_if<StatusMessage>(&message.what);
            return status != nullptr && says(*status);
        });
    }

    void check_control(const FrameControl& control) {
        check_plain("/control/enable", control.enable);
        check_plain("/control/disable", control.disable);
        if (control.enable == control.disable)
            faults_.add("/control/disable", "it also lets the tool run", "give two frames that differ");
        if (!some_status([](const StatusMessage& status) { return status.enabled.has_value(); }))
            faults_.add("/control", "no status says whether the tool may run",
                        "describe the message by which it does, with enabled");
        if (!tells_newest(profile_))
            faults_.add("/control",
                        "no status tells the newest result, so that nobody knows what the tool made before "
                        "it was stopped",
                        "describe the message by which it does, with newest");
        check_programs(control);
    }

    void check_programs(const FrameControl& control) {
        if (control.program.has_value() == control.programs.empty())
            faults_.add(control.program ? "/control/programs" : "/control/program",
                        control.program ? "no program has a number" : "programs that nothing chooses",
                        "give both program and programs, or neither");
        for (std::size_t i = 0; i < control.programs.size(); ++i)
            check_program(control, i);
        if (!control.program)
            return;
        check_parts("/control/program", *control.program);
        if (!has_number(*control.program))
            faults_.add("/control/program", "the number of the program does not stand in it",
                        "add a part digits or number");
        if (!some_status([](const StatusMessage& status) { return status.program.has_value(); }))
            faults_.add("/control/program", "no status says which program is set",
                        "describe the message by which the tool does, with program");
    }

    void check_program(const FrameControl& control, std::size_t index) {
        const auto pointer = fmt::format("/control/programs/{}", index);
        const ProgramNumber& one = control.programs[index];
        if (one.text.empty())
            faults_.add(pointer + "/text", fmt::format("program {} has no name", one.number),
                        "give it the name that the plans' passes use");
        for (std::size_t early = 0; early < index; ++early)
            if (control.programs[early].number == one.number || control.programs[early].text == one.text)
                faults_.add(pointer,
                            fmt::format("program {}, {}, is listed twice", one.number, shown(one.text)),
                            "give each its own number and name");
        if (control.program)
            check_composed(pointer, *control.program, one.number);
    }

    FrameFaults& faults_;
    const FrameProfile& profile_;
    bool has_framing_;  // framing and counter are in order, so that a frame can be put together
};

}  // namespace

void check_sending(FrameFaults& faults, const FrameProfile& profile) {
    SendingChecker(faults, profile).run();
}

}  // namespace tautgate::protocol
