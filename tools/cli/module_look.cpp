#include "tools/cli/module_look.hpp"

#include <algorithm>
#include <memory>
#include <string_view>
#include <thread>
#include <type_traits>
#include <utility>

#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/register_request.hpp"
#include "protocol/text.hpp"
#include "tools/cli/device_wire.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr milliseconds module_answer_within{1000};
constexpr milliseconds before_calling_again{1000};

[[nodiscard]] bool is_number(const config::IoInput& input) {
    return std::holds_alternative<config::CountInput>(input.use) ||
           std::holds_alternative<config::ArmInput>(input.use);
}

// ---- what is made of a change -----------------------------------------------------------------------------

[[nodiscard]] InputSaid said(const config::IoInput& input, const protocol::PulseNews& news) {
    const config::PulseInput& limits = *config::pulse_of(input);
    const auto beside = fmt::format("; good is {} to {}", protocol::pulse_text(limits.shortest),
                                    protocol::pulse_text(limits.longest));
    if (const auto* good = std::get_if<protocol::GoodPulse>(&news))
        return {input.id, fmt::format("a pulse of {}, which counts", protocol::pulse_text(good->length)),
                true};
    if (const auto* shorter = std::get_if<protocol::TooShort>(&news))
        return {input.id,
                fmt::format("a pulse of {}, too short{}",
                            protocol::pulse_text(shorter->length, limits.shortest), beside),
                false};
    if (const auto* longer = std::get_if<protocol::TooLong>(&news))
        return {input.id,
                fmt::format("a pulse of {}, too long{}", protocol::pulse_text(longer->length, limits.longest),
                            beside),
                false};
    if (const auto* on = std::get_if<protocol::StillOn>(&news))
        return {
            input.id,
            fmt::format("on for {} and longer{}", protocol::pulse_text(on->length, limits.longest), beside),
            false};
    return {input.id, "a pulse was under way while nobody looked; it counts for nothing", false};
}

[[nodiscard]] InputSaid said(const config::IoInput& input, const protocol::CountNews& news) {
    if (const auto* counted = std::get_if<protocol::CountedPulses>(&news))
        return {input.id, fmt::format("{} counted", protocol::counted(counted->pulses, "pulse")), true};
    const auto& jumped = std::get<protocol::CountJumped>(news);
    return {input.id,
            fmt::format("the count went from {} to {}, which pulses one by one cannot; none counts",
                        jumped.before, jumped.now),
            false};
}

[[nodiscard]] InputSaid said(const config::IoInput& input, const protocol::PositionNews& news) {
    return {input.id,
            news.position ? fmt::format("at position {}", *news.position)
                          : std::string("at no position, or moving"),
            true};
}

[[nodiscard]] InputSaid said(const config::IoInput& input, const protocol::SettledLevel& level) {
    return {input.id, level.active ? "on, and stands still" : "off, and stands still", true};
}

[[nodiscard]] std::string level_words(const config::IoInput& input, std::uint16_t word) {
    if (is_number(input))
        return fmt::format("reads {}", word);
    return word != 0 ? "reads on" : "reads off";
}

// "discrete_inputs 3", "holding 7 bit 2".
[[nodiscard]] std::string place_words(const config::IoInput& input) {
    return fmt::format("{} {}{}{}", boost::describe::enum_to_string(input.table, ""), input.number,
                       input.bit ? fmt::format(" bit {}", *input.bit) : std::string{},
                       input.active_low ? ", active low" : "");
}

}  // namespace

// ---- pure -------------------------------------------------------------------------------------------------

ModuleLooker::ModuleLooker(const config::IoModule& module) {
    std::vector<protocol::FieldPlace> places;
    places.reserve(module.inputs.size());
    inputs_.reserve(module.inputs.size());
    for (const config::IoInput& input : module.inputs) {
        places.push_back(config::place_of(input));
        inputs_.push_back({input, config::gauge_of(input), {}});
    }
    blocks_ = protocol::cover(std::move(places));
}

// Of a contact 1 where it is active, of a number the number.
std::uint16_t ModuleLooker::word_of(const config::IoInput& input,
                                    std::span<const std::uint16_t> words) const {
    const std::uint16_t word = words[protocol::offset_in(blocks_, config::place_of(input)).value_or(0)];
    if (is_number(input))
        return word;
    return config::is_active(input, word) ? 1 : 0;
}

void ModuleLooker::look(Watched& watched, protocol::PulseTime at, std::uint16_t word,
                        std::vector<InputSaid>& all) {
    const config::IoInput& input = watched.input;
    if (watched.shown != word)
        all.push_back({input.id, level_words(input, word), true});
    const bool is_first = !watched.shown;
    watched.shown = word;
    std::visit(
        [&](auto& gauge) {
            using Kind = std::decay_t<decltype(gauge)>;
            const auto news = [&] {
                if constexpr (std::is_same_v<Kind, protocol::Debouncer> ||
                              std::is_same_v<Kind, protocol::PulseGauge>)
                    return gauge.look(at, word != 0);
                else
                    return gauge.look(at, word);
            }();
            // Where a count or an arm stands first is told by its number.
            if (news && !(is_first && is_number(input)))
                all.push_back(said(input, *news));
        },
        watched.gauge);
}

std::vector<InputSaid> ModuleLooker::look(protocol::PulseTime at, std::span<const std::uint16_t> words) {
    std::vector<InputSaid> all;
    for (Watched& watched : inputs_)
        look(watched, at, word_of(watched.input, words), all);
    return all;
}

std::vector<InputSaid> ModuleLooker::lost() {
    std::vector<InputSaid> all;
    for (Watched& watched : inputs_) {
        watched.shown.reset();
        if (auto* level = std::get_if<protocol::Debouncer>(&watched.gauge))
            level->forget();
        else if (auto* pulse = std::get_if<protocol::PulseGauge>(&watched.gauge)) {
            if (const auto news = pulse->end())
                all.push_back(said(watched.input, *news));
        } else if (auto* count = std::get_if<protocol::PulseCount>(&watched.gauge))
            count->end();
        else
            static_cast<void>(std::get<protocol::PositionGauge>(watched.gauge).end());
    }
    return all;
}

// ---- over its wire ----------------------------------------------------------------------------------------

namespace {

class ModuleLook {
  public:
    ModuleLook(const Desk& desk, const LookOrder& order, const config::IoModule& module)
        : desk_(desk), order_(order), module_(module),
          looker_(module), link_{.host = module.host,
                                 .serial = module.serial,
                                 .port = module.port,
                                 .unit = module.unit,
                                 .profile = {},
                                 .poll_interval = module.poll_interval} {}

    [[nodiscard]] Asked<Exit> run() {
        introduce();
        while (true) {
            const auto due = steady_clock::now() + module_.poll_interval;
            const auto looked = look_once();
            if (!looked && order_.once)
                return std::unexpected(looked.error());
            answered_ = looked.has_value();
            if (order_.once || is_over())
                return answered_ ? Exit::fine : Exit::no;
            rest(answered_ ? due : steady_clock::now() + before_calling_again);
            if (is_over())
                return answered_ ? Exit::fine : Exit::no;
        }
    }

  private:
    void introduce() const {
        if (desk_.json)
            return;
        const bool endless = order_.for_ms == 0 && !order_.once;
        print(plain(fmt::format(
                  "I/O module {} at {}; read only. Where the device takes one client only, stop the "
                  "service first.{}",
                  module_.id, connection_words(link_), endless ? " Ctrl-C ends." : "")) +
              "\n");
        for (const config::IoInput& input : module_.inputs)
            print(plain(fmt::format("  {:<16} {}", input.id, place_words(input))) + "\n");
    }
    // A wire that is gone is opened anew, for as long as somebody wants to look.
    [[nodiscard]] Asked<void> look_once() {
        if (!wire_) {
            auto opened = DeviceWire::open(link_, module_answer_within);
            if (!opened)
                return lost(Failure{Exit::could_not_ask, plain(opened.error())});
            wire_ = std::move(*opened);
        }
        const auto at = steady_clock::now();
        std::vector<std::uint16_t> words;
        for (const protocol::BlockRange& block : looker_.reads()) {
            auto part = read(block);
            if (!part)
                return lost(std::move(part.error()));
            words.insert(words.end(), part->begin(), part->end());
        }
        trouble_.clear();
        for (const InputSaid& one :
             looker_.look(std::chrono::duration_cast<protocol::PulseTime>(at.time_since_epoch()), words))
            show(one);
        return {};
    }
    [[nodiscard]] Asked<std::vector<std::uint16_t>> read(const protocol::BlockRange& block) {
        const auto wire = wire_of(link_);
        const auto request =
            protocol::read_request({.wire = wire, .unit = link_.unit, .transaction = ++transaction_}, block);
        const auto answer = wire_->ask(request);
        if (!answer)
            return std::unexpected(Failure{Exit::could_not_ask, plain(answer.error())});
        auto words = protocol::answer_to(wire, request, *answer);
        if (!words)
            return std::unexpected(
                Failure{Exit::no, fmt::format("I/O module {} at {}: {}; {}", plain(module_.id),
                                              plain(connection_words(link_)), words.error().what,
                                              words.error().remedy)});
        return std::move(*words);
    }
    [[nodiscard]] Asked<void> lost(Failure failure) {
        wire_.reset();  // a late answer must not serve the next request, and a line may have been pulled out
        for (const InputSaid& one : looker_.lost())
            show(one);
        // One trouble is told once, however often it is met.
        if (!order_.once && std::exchange(trouble_, failure.message) != failure.message)
            complain(failure.message);
        return std::unexpected(std::move(failure));
    }
    void show(const InputSaid& one) const {
        const auto at_us =
            std::chrono::duration_cast<std::chrono::microseconds>(steady_clock::now() - began_).count();
        if (desk_.json)
            return print(
                nlohmann::ordered_json{
                    {"at_us", at_us}, {"input", one.input}, {"what", one.what}, {"counts", one.counts}}
                    .dump(-1, ' ', true, nlohmann::ordered_json::error_handler_t::replace) +
                "\n");
        print(plain(fmt::format("+{:.3f} s  {:<16} {}", static_cast<double>(at_us) / 1e6, one.input,
                                one.what)) +
              "\n");
    }
    [[nodiscard]] bool is_over() const {
        return order_.for_ms != 0 && steady_clock::now() >= began_ + milliseconds(order_.for_ms);
    }
    void rest(steady_clock::time_point until) const {
        const auto end = began_ + milliseconds(order_.for_ms);
        std::this_thread::sleep_until(order_.for_ms != 0 ? std::min(until, end) : until);
    }

    Desk desk_;
    LookOrder order_;
    config::IoModule module_;
    ModuleLooker looker_;
    config::RegisterLink link_;
    steady_clock::time_point began_ = steady_clock::now();
    std::unique_ptr<DeviceWire> wire_;
    std::uint16_t transaction_ = 0;
    std::string trouble_;
    bool answered_ = false;
};

}  // namespace

Asked<Exit> look_at_module(const Desk& desk, const LookOrder& order, const config::IoModule& module) {
    const auto only_tools = [&](std::string_view option) -> Asked<Exit> {
        return std::unexpected(
            Failure{Exit::wrong_usage, fmt::format("{} is an I/O module, and {} is for tools; leave it out",
                                                   plain(module.id), option)});
    };
    if (!order.record.empty())
        return only_tools("--record");
    if (order.acknowledge)
        return only_tools("--acknowledge");
    if (order.orders)
        return only_tools("--orders");
    if (order.port != 0)
        return only_tools("--port");
    if (!order.keys.empty())
        return only_tools("--keys");
    if (module.inputs.empty())
        return std::unexpected(
            Failure{Exit::no, fmt::format("I/O module {} has no inputs to look at; its outputs "
                                          "are tried as the commissioning list says",
                                          plain(module.id))});
    return ModuleLook(desk, order, module).run();
}

}  // namespace tautgate::cli
