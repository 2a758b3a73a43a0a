#include "tools/cli/look.hpp"

#include <algorithm>
#include <array>
#include <chrono>
#include <filesystem>
#include <functional>
#include <iterator>
#include <map>
#include <memory>
#include <optional>
#include <thread>
#include <utility>
#include <variant>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <boost/describe/enumerators.hpp>
#include <boost/mp11/algorithm.hpp>
#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "config/key_file.hpp"
#include "protocol/capture.hpp"
#include "protocol/frame_compose.hpp"
#include "protocol/link_errors.hpp"
#include "protocol/profile_text.hpp"
#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "service/journal/digest.hpp"
#include "tools/cli/capture_file.hpp"
#include "tools/cli/description.hpp"
#include "tools/cli/device_wire.hpp"
#include "tools/cli/frame_look.hpp"
#include "tools/cli/line_look.hpp"
#include "tools/cli/module_look.hpp"
#include "tools/cli/recorded_answers.hpp"
#include "tools/cli/register_look.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace asio = boost::asio;
using asio::ip::tcp;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

// Longer than the service waits: what answers late is to be seen answering.
constexpr milliseconds answer_within{1000};
constexpr milliseconds before_dialling_again{1000};
constexpr std::chrono::seconds line_beat{1};
// One look waits for so long at least: a tool may need a moment to call, or speak once in a few seconds only.
constexpr milliseconds least_patience{5000};

std::unexpected<Failure> cannot(std::string why) {
    return std::unexpected(Failure{Exit::could_not_ask, std::move(why)});
}
std::unexpected<Failure> wrong_usage(std::string why) {
    return std::unexpected(Failure{Exit::wrong_usage, std::move(why)});
}

// ---- what the description says ----------------------------------------------------------------------------

std::vector<std::string> tool_ids(const config::Station& station) {
    std::vector<std::string> ids;
    ids.reserve(station.tools.size());
    for (const auto& tool : station.tools)
        ids.push_back(tool.id);
    return ids;
}

std::vector<std::string> module_ids(const config::Station& station) {
    std::vector<std::string> ids;
    ids.reserve(station.io.size());
    for (const auto& module : station.io)
        ids.push_back(module.id);
    return ids;
}

Asked<const config::Tool*> tool_named(const config::Station& station, const std::string& id) {
    const auto found = std::ranges::find(station.tools, id, &config::Tool::id);
    if (found != station.tools.end())
        return &*found;
    auto known = tool_ids(station);
    std::ranges::copy(module_ids(station), std::back_inserter(known));
    const auto nearest = protocol::nearest_word(id, known);
    return wrong_usage(fmt::format("no tool or I/O module '{}' is in the description; {}known are: {}",
                                   plain(id),
                                   nearest.empty() ? "" : fmt::format("did you mean {}? ", nearest),
                                   plain(fmt::format("{}", fmt::join(known, ", ")))));
}

template <class Profile>
Asked<const Profile*> without_faults(const Profile* profile, const std::string& id) {
    if (!protocol::check(*profile).empty())
        return std::unexpected(Failure{
            Exit::no, fmt::format("the profile {} has mistakes; put right what is named above", plain(id))});
    return profile;
}

Asked<const protocol::RegisterProfile*> profile_named(const config::Station& station,
                                                      const config::Tool& tool, const std::string& id) {
    const auto* found = config::register_profile(config::profile_named(station, id));
    if (found == nullptr)
        return wrong_usage(
            fmt::format("tool {} names the profile '{}', which is not in the description, or describes no "
                        "registers; enter it under profiles",
                        plain(tool.id), plain(id)));
    return without_faults(found, id);
}

Asked<const protocol::FrameProfile*> frames_of(const config::Station& station, const config::Tool& tool,
                                               const std::string& id) {
    const auto* found = config::frame_profile(config::profile_named(station, id));
    if (found == nullptr)
        return wrong_usage(
            fmt::format("tool {} names the profile '{}', which is not in the description, or describes no "
                        "frames; enter it under profiles",
                        plain(tool.id), plain(id)));
    return without_faults(found, id);
}

template <class Profile>
std::string digest_of_profile(const Profile& profile) {
    return journal::hex(journal::sha256(protocol::profile_text(profile)));
}

// How long one look waits for a tool that speaks by itself.
milliseconds patience_with(const config::Tool& tool) { return std::max(tool.silence_limit, least_patience); }

std::unexpected<Failure> nothing_came(const std::string& from, milliseconds within, std::string_view remedy) {
    return std::unexpected(
        Failure{Exit::no, plain(fmt::format("nothing came in time from {}: it was given {} s; {}", from,
                                            static_cast<double>(within.count()) / 1000, remedy))});
}

// ---- what is shown ----------------------------------------------------------------------------------------

std::string offset_words(std::int64_t at_us) {
    return fmt::format("+{:.3f} s", static_cast<double>(at_us) / 1e6);
}

void print_line(const nlohmann::ordered_json& object) {
    print(object.dump(-1, ' ', true, nlohmann::ordered_json::error_handler_t::replace) + "\n");
    std::fflush(stdout);
}

// Shows one look after the other and remembers what the last one was.
class Screen {
  public:
    Screen(const Desk& desk, const LookOrder& order)
        : desk_(desk), orders_(order.orders), once_(order.once) {}

    void show(std::int64_t at_us, RegisterLook look) {
        const RegisterLook* before = before_ ? &*before_ : nullptr;
        if (desk_.json) {
            nlohmann::ordered_json object{{"at_us", at_us}};
            object.update(look_json(look, before));
            print_line(object);
        } else if (const std::string text =
                       look_text(look, before, {desk_.style, orders_, before != nullptr});
                   !text.empty()) {
            print(fmt::format("{}\n{}", offset_words(at_us), text));
            std::fflush(stdout);
        }
        judge("registers", look.understood(), not_usable_in(look));
        // After a look without an answer, what changed is what differs from the last one with an answer.
        if (!look.parts.empty() || !before_)
            before_ = std::move(look);
        else {
            before_->fault = look.fault;
            before_->trouble = look.trouble;
        }
    }
    void show(std::int64_t at_us, const LineSaid& said) {
        if (desk_.json) {
            nlohmann::ordered_json object{{"at_us", at_us}};
            object.update(said_json(said));
            print_line(object);
        } else {
            print(fmt::format("{}\n{}", offset_words(at_us), said_text(said)));
            std::fflush(stdout);
        }
        judge("line", said.understood(), said.not_usable);
    }
    // A status that a tool sends over and over is told whole once, and then by how often it came.
    void show(std::int64_t at_us, const FrameSaid& said) {
        judge(said.explained.message, said.understood(), not_usable_in(said));
        if (desk_.json) {
            nlohmann::ordered_json object{{"at_us", at_us}};
            object.update(said_json(said));
            return print_line(object);
        }
        if (std::string text = said_text(said, desk_.style); text != repeats_.text)
            begin_repeats(at_us, std::move(text));
        else
            repeat(at_us);
    }
    // A program reads frames; that none has ended yet is for a person.
    void show(std::int64_t at_us, const FrameBegun& begun) {
        if (desk_.json)
            return;
        tell_repeats();
        repeats_ = {};
        print(fmt::format("{}\n{}", offset_words(at_us), begun_text(begun)));
        std::fflush(stdout);
    }
    // Nothing more is shown.
    [[nodiscard]] Exit end() {
        tell_repeats();
        if (const auto names = not_usable(); !desk_.json && !names.empty())
            complain(plain(fmt::format("the station could not use: {}; see what stands there after the ?",
                                       fmt::join(names, ", "))));
        return understood() ? Exit::fine : Exit::no;
    }

  private:
    // What came several times in a row, as it was shown.
    struct Repeats {
        std::string text;
        std::size_t times = 0;
        std::size_t told = 0;  // of those
        std::int64_t told_us = 0;
        std::int64_t newest_us = 0;
    };

    // What was shown of one kind of message: of a single look all, else the newest.
    struct Judged {
        bool understood = true;
        std::vector<std::string> not_usable{};
    };
    // `message`: empty of what is none, which is over with the next one that is.
    void judge(const std::string& message, bool understood, const std::vector<std::string>& not_usable) {
        if (understood && !once_)
            judged_.erase(std::string());
        Judged& judged = judged_[message];
        if (!once_)
            judged = {};
        judged.understood = judged.understood && understood;
        std::ranges::copy(not_usable, std::back_inserter(judged.not_usable));
    }
    // Each once.
    [[nodiscard]] std::vector<std::string> not_usable() const {
        std::vector<std::string> names;
        for (const auto& [message, judged] : judged_)
            for (const std::string& one : judged.not_usable)
                if (std::ranges::find(names, one) == names.end())
                    names.push_back(one);
        return names;
    }
    [[nodiscard]] bool understood() const {
        return !judged_.empty() &&
               std::ranges::all_of(judged_, [](const auto& each) { return each.second.understood; });
    }
    void begin_repeats(std::int64_t at_us, std::string text) {
        tell_repeats();
        print(fmt::format("{}\n{}", offset_words(at_us), text));
        std::fflush(stdout);
        repeats_ = {.text = std::move(text), .times = 1, .told = 1, .told_us = at_us, .newest_us = at_us};
    }
    // Many a tool sends its status a hundred times a second: nobody reads that.
    void repeat(std::int64_t at_us) {
        constexpr std::int64_t between_us = 1'000'000;
        ++repeats_.times;
        repeats_.newest_us = at_us;
        if (at_us - repeats_.told_us >= between_us)
            tell_repeats();
    }
    void tell_repeats() {
        if (repeats_.told == repeats_.times)
            return;
        print(fmt::format("{}  the same, {} times now\n", offset_words(repeats_.newest_us), repeats_.times));
        std::fflush(stdout);
        repeats_.told = repeats_.times;
        repeats_.told_us = repeats_.newest_us;
    }

    Desk desk_;
    bool orders_;
    bool once_;
    std::optional<RegisterLook> before_;
    Repeats repeats_;
    std::map<std::string, Judged> judged_;  // by kind of message
};

class Watch {
  public:
    explicit Watch(std::uint64_t for_ms) : for_(for_ms) {}
    [[nodiscard]] std::int64_t at_us() const {
        return std::chrono::duration_cast<std::chrono::microseconds>(steady_clock::now() - began_).count();
    }
    [[nodiscard]] bool over() const { return for_.count() != 0 && steady_clock::now() >= end(); }
    [[nodiscard]] steady_clock::time_point end() const { return began_ + for_; }
    // No longer than until the end.
    void rest(steady_clock::time_point until) const {
        std::this_thread::sleep_until(for_.count() != 0 ? std::min(until, end()) : until);
    }

  private:
    milliseconds for_;  // 0: without end
    steady_clock::time_point began_ = steady_clock::now();
};

// Bytes in either direction, kept where that was asked for: in a file that is made for the first of them, so
// that none says that something was recorded when nothing was. The first that could not be kept ends the
// look.
class Recorder {
  public:
    [[nodiscard]] Asked<void> begin(const std::string& path, protocol::CaptureHead head) {
        if (path.empty())
            return {};
        head.began = protocol::utc_text(std::chrono::duration_cast<std::chrono::microseconds>(
                                            std::chrono::system_clock::now().time_since_epoch())
                                            .count());
        if (auto may = CaptureFile::may_create(path); !may)
            return cannot(std::move(may.error()));
        path_ = path;
        head_ = std::move(head);
        began_ = steady_clock::now();
        return {};
    }
    [[nodiscard]] std::expected<void, std::string> keep(protocol::CaptureSide from, std::string_view bytes) {
        if (path_.empty() || bytes.empty())
            return {};
        auto kept = opened();
        if (kept)
            kept = file_->add(from, bytes);
        broken_ = broken_ || !kept;
        return kept;
    }
    [[nodiscard]] bool broken() const noexcept { return broken_; }

  private:
    [[nodiscard]] std::expected<void, std::string> opened() {
        if (file_)
            return {};
        auto file = CaptureFile::create(path_, head_, began_);
        if (!file)
            return std::unexpected(std::move(file.error()));
        file_ = std::move(*file);
        return {};
    }

    std::string path_;  // empty: nothing is kept
    protocol::CaptureHead head_;
    steady_clock::time_point began_;
    std::optional<CaptureFile> file_;
    bool broken_ = false;
};

std::string_view how_it_ends(const LookOrder& order) {
    return order.for_ms == 0 && !order.once ? " Ctrl-C ends." : "";
}

// ---- a polled tool
// ------------------------------------------------------------------------------------------

class PolledLook {
  public:
    PolledLook(const Desk& desk, const LookOrder& order, const config::RegisterLink& link,
               const protocol::RegisterProfile& profile)
        : order_(order), link_(link), screen_(desk, order), watch_(order.for_ms),
          looker_(profile, wire_of(link), link.unit,
                  [this](const std::string& request) { return ask(request); }) {}

    [[nodiscard]] Asked<Exit> run(const protocol::CaptureHead& head) {
        if (auto begun = recorder_.begin(order_.record, head); !begun)
            return std::unexpected(begun.error());
        auto opened = DeviceWire::open(link_, answer_within);
        if (!opened)
            return cannot(plain(opened.error()));
        wire_ = std::move(*opened);
        while (true) {
            const auto due = steady_clock::now() + link_.poll_interval;
            if (auto looked = look_once(); !looked)
                return std::unexpected(looked.error());
            if (order_.once || watch_.over())
                return screen_.end();
            watch_.rest(due);
            if (watch_.over())
                return screen_.end();
        }
    }

  private:
    std::expected<std::string, Unanswered> ask(const std::string& request) {
        if (auto kept = recorder_.keep(protocol::CaptureSide::station, request); !kept)
            return std::unexpected(Unanswered{std::move(kept.error())});
        auto answer = wire_->ask(request);
        if (!answer)
            return std::unexpected(Unanswered{std::move(answer.error())});
        if (auto kept = recorder_.keep(protocol::CaptureSide::tool, *answer); !kept)
            return std::unexpected(Unanswered{std::move(kept.error())});
        return std::move(*answer);
    }
    // A wire that is gone is opened anew, for as long as somebody wants to look.
    [[nodiscard]] Asked<void> look_once() {
        const auto at_us = watch_.at_us();
        if (!wire_) {
            auto opened = DeviceWire::open(link_, answer_within);
            if (!opened)
                return lost(plain(opened.error()));
            wire_ = std::move(*opened);
        }
        auto look = looker_.look();
        if (!look)
            return lost(plain(look.error()));
        const bool answered = look->fault.empty();
        screen_.show(at_us, std::move(*look));
        if (!answered && !link_.serial)
            wire_.reset();  // a late answer must not serve the next request
        if (!answered || !order_.acknowledge)
            return {};
        const auto told = looker_.acknowledge();
        return told ? Asked<void>{} : lost(plain(told.error()));
    }
    [[nodiscard]] Asked<void> lost(std::string why) {
        wire_.reset();
        if (recorder_.broken() || order_.once)
            return cannot(std::move(why));
        screen_.show(watch_.at_us(), RegisterLook{.parts = {}, .torn = false, .fault = std::move(why)});
        watch_.rest(steady_clock::now() + before_dialling_again);
        return {};
    }

    LookOrder order_;
    config::RegisterLink link_;
    Screen screen_;
    Watch watch_;
    Recorder recorder_;
    std::unique_ptr<DeviceWire> wire_;
    RegisterLooker looker_;
};

Asked<Exit> look_at_polled(const Desk& desk, const LookOrder& order, const config::Station& station,
                           const config::Tool& tool, const config::RegisterLink& link) {
    const auto profile = profile_named(station, tool, link.profile);
    if (!profile)
        return std::unexpected(profile.error());
    if (order.acknowledge)
        complain("what is acknowledged here is in no record: the tool may forget it; use it for trials only");
    if (!desk.json)
        print(plain(fmt::format(
                  "tool {} at {}, profile {}; read only{}. Where the device takes one client only, "
                  "stop the service first.{}",
                  tool.id, connection_words(link), link.profile,
                  order.acknowledge ? " but for the acknowledgement" : "", how_it_ends(order))) +
              "\n" + link_errors_line(protocol::detected(**profile, link.serial.has_value())));
    return PolledLook(desk, order, link, **profile)
        .run({.wire = link.serial ? protocol::CaptureWire::modbus_serial : protocol::CaptureWire::modbus_tcp,
              .tool = tool.id,
              .connection = connection_words(link),
              .profile = link.profile,
              .profile_digest = digest_of_profile(**profile),
              .began = {}});
}

// ---- a tool that sends frames
// ---------------------------------------------------------------------------------

std::string place_of_frames(const config::FrameLink& link) {
    if (const auto* call = std::get_if<config::FrameCall>(&link.way))
        return fmt::format("{}:{}", call->host, call->port);
    if (const auto* listen = std::get_if<config::FrameListen>(&link.way))
        return fmt::format("{}:{}, called from {}", listen->at.address, listen->at.port, listen->peer);
    const auto& line = std::get<config::SerialLine>(link.way);
    return fmt::format("{} at {} baud", line.device, line.baud);
}

class FramesLook {
  public:
    FramesLook(const Desk& desk, const LookOrder& order, const config::FrameLink& link,
               const protocol::FrameProfile& profile, milliseconds patience)
        : order_(order), link_(link), words_(place_of_frames(link)), profile_(profile), patience_(patience),
          screen_(desk, order), watch_(order.for_ms) {}

    [[nodiscard]] Asked<Exit> run(const protocol::CaptureHead& head) {
        if (auto begun = recorder_.begin(order_.record, head); !begun)
            return std::unexpected(begun.error());
        while (!done()) {
            if (auto looked = look_at_one_connection(); !looked)
                return std::unexpected(looked.error());
        }
        if (!heard_ && order_.once)
            return nothing_came(words_, patience_, remedy_of_silence());
        if (!heard_)
            return cannot(plain(fmt::format("no frame came from {}; {}", words_, remedy_of_silence())));
        return screen_.end();
    }

  private:
    using Opened = std::expected<std::unique_ptr<DeviceWire>, std::string>;

    [[nodiscard]] std::string_view remedy_of_silence() const {
        if (std::holds_alternative<config::FrameListen>(link_.way) && !opened_)
            return "check that it is on, and that it calls this address and port";
        return "check that it is on, and what it wants to hear before it speaks";
    }
    [[nodiscard]] bool done() const { return watch_.over() || (order_.once && (heard_ || waited_enough())); }
    [[nodiscard]] bool waited_enough() const {
        return order_.once && steady_clock::now() >= waits_since_ + patience_;
    }
    // A wire that is gone is opened anew, for as long as somebody wants to look.
    [[nodiscard]] Asked<void> look_at_one_connection() {
        auto opened = open();
        if (!opened)
            return lost(opened.error());
        if (!*opened)
            return {};  // nobody called in time
        waits_since_ = steady_clock::now();
        FrameLooker looker(profile_);
        auto broken = talk(**opened, looker);
        show(looker.give_up());
        return broken ? lost(*broken) : Asked<void>{};
    }
    // Nothing: there is no more to look for. Else why the wire is gone.
    [[nodiscard]] std::optional<std::string> talk(DeviceWire& wire, FrameLooker& looker) {
        auto said = say(wire, profile_.on_connect);
        auto next_beat = steady_clock::now();
        auto came_at = next_beat;
        told_at_ = next_beat;
        while (said && !done()) {
            const auto now = steady_clock::now();
            if (profile_.keep_alive && now >= next_beat) {
                next_beat = now + profile_.keep_alive->every;
                said = say(wire, {profile_.keep_alive->frame});
                continue;
            }
            const auto bytes = wire.hear(between_looks);
            if (!bytes)
                return bytes.error();
            if (auto kept = recorder_.keep(protocol::CaptureSide::tool, *bytes); !kept)
                return kept.error();
            if (!bytes->empty())
                came_at = now;
            show(bytes->empty() && looker.half() && now - came_at >= profile_.pause ? looker.give_up()
                                                                                    : looker.hear(*bytes));
            show_begun(looker, now);
        }
        return said ? std::nullopt : std::optional(said.error());
    }
    // A tool that talks on without ever ending a frame would else look like a silent one.
    void show_begun(const FrameLooker& looker, steady_clock::time_point now) {
        if (!looker.half())
            told_at_ = now;
        if (now - told_at_ < without_end)
            return;
        told_at_ = now;
        screen_.show(watch_.at_us(), looker.begun());
    }
    void show(const std::vector<FrameSaid>& all) {
        if (!all.empty())
            told_at_ = steady_clock::now();
        for (const FrameSaid& said : all) {
            heard_ = true;
            screen_.show(watch_.at_us(), said);
        }
    }
    [[nodiscard]] std::expected<void, std::string> say(DeviceWire& wire,
                                                       const std::vector<protocol::FrameToSend>& frames) {
        for (const protocol::FrameToSend& frame : frames) {
            const auto bytes = protocol::compose(profile_, frame);
            if (!bytes)
                return std::unexpected(bytes.error());
            if (auto kept = recorder_.keep(protocol::CaptureSide::station, *bytes); !kept)
                return kept;
            if (auto sent = wire.say(*bytes); !sent)
                return sent;
        }
        return {};
    }
    [[nodiscard]] Asked<void> lost(const std::string& why) {
        if (recorder_.broken() || order_.once || !opened_)
            return cannot(plain(why));
        complain(plain(why));
        watch_.rest(steady_clock::now() + before_dialling_again);
        return {};
    }

    [[nodiscard]] Opened open() {
        Opened opened = std::unique_ptr<DeviceWire>();
        if (const auto* call = std::get_if<config::FrameCall>(&link_.way))
            opened = DeviceWire::open(*call, answer_within, words_);
        else if (const auto* listen = std::get_if<config::FrameListen>(&link_.way))
            return await_call(*listen);
        else
            opened = DeviceWire::open(std::get<config::SerialLine>(link_.way), answer_within, words_);
        opened_ = opened_ || opened.has_value();
        return opened;
    }
    [[nodiscard]] Opened await_call(const config::FrameListen& listen) {
        boost::system::error_code failed;
        tcp::acceptor acceptor(loop_);
        const tcp::endpoint at(asio::ip::make_address(listen.at.address, failed), listen.at.port);
        if (!failed)
            (void)acceptor.open(at.protocol(), failed);
        if (!failed)
            (void)acceptor.set_option(tcp::acceptor::reuse_address(true), failed);
        if (!failed)
            (void)acceptor.bind(at, failed);
        if (!failed)
            (void)acceptor.listen(1, failed);
        if (!failed)
            (void)acceptor.non_blocking(true, failed);
        if (failed)
            return std::unexpected(fmt::format(
                "cannot wait for calls at {}:{}: {}; {}", listen.at.address, listen.at.port, failed.message(),
                failed == asio::error::address_in_use
                    ? "stop the service, which may have the port"
                    : "give under listen an address of this computer, or 0.0.0.0 for all it has"));
        std::string refused;  // told once, however often it calls
        while (!watch_.over() && !waited_enough()) {
            tcp::socket socket(loop_);
            tcp::endpoint from;
            (void)acceptor.accept(socket, from, failed);
            if (!failed && from.address().to_string() == listen.peer) {
                opened_ = true;
                return DeviceWire::around(socket.release(), words_);
            }
            if (!failed && std::exchange(refused, from.address().to_string()) != from.address().to_string())
                complain(
                    plain(fmt::format("{} called, and the tool may call from {} only; if that is the tool, "
                                      "correct peer",
                                      refused, listen.peer)));
            std::this_thread::sleep_for(between_looks);
        }
        return std::unique_ptr<DeviceWire>();
    }

    static constexpr milliseconds between_looks{20};
    static constexpr std::chrono::seconds without_end{1};

    LookOrder order_;
    config::FrameLink link_;
    std::string words_;
    const protocol::FrameProfile& profile_;
    milliseconds patience_;  // of one look
    Screen screen_;
    Watch watch_;
    Recorder recorder_;
    asio::io_context loop_;
    steady_clock::time_point waits_since_ = steady_clock::now();
    steady_clock::time_point told_at_;  // or nothing was to be told
    bool opened_ = false;
    bool heard_ = false;
};

Asked<Exit> look_at_frames(const Desk& desk, const LookOrder& order, const config::Station& station,
                           const config::Tool& tool, config::FrameLink link) {
    if (order.acknowledge)
        return wrong_usage("a tool that sends frames is never told here that a result is stored: it might "
                           "forget it; leave out --acknowledge");
    if (auto* listen = std::get_if<config::FrameListen>(&link.way); listen != nullptr && order.port != 0)
        listen->at.port = order.port;
    const auto profile = frames_of(station, tool, link.profile);
    if (!profile)
        return std::unexpected(profile.error());
    if (!desk.json)
        print(plain(fmt::format("tool {} at {}, profile {}; nothing is acknowledged. Where the device takes "
                                "one client only, stop the service first.{}",
                                tool.id, place_of_frames(link), link.profile, how_it_ends(order))) +
              "\n" + link_errors_line(protocol::detected(**profile)));
    return FramesLook(desk, order, link, **profile, patience_with(tool))
        .run({.wire = protocol::CaptureWire::frames,
              .tool = tool.id,
              .connection = place_of_frames(link),
              .profile = link.profile,
              .profile_digest = digest_of_profile(**profile),
              .began = {}});
}

// ---- a tool that calls
// --------------------------------------------------------------------------------------

protocol::MeasuringRange range_of(const config::Tool& tool) {
    return {.torque_resolution = tool.torque_resolution,
            .angle_resolution = tool.angle_resolution,
            .torque_max = tool.torque_max};
}

// Takes one call after the other at a port.
class CallerLook {
  public:
    CallerLook(const Desk& desk, const LookOrder& order, const config::Tool& tool,
               std::optional<protocol::SharedKey> key)
        : order_(order), tool_(tool), key_(key), screen_(desk, order), watch_(order.for_ms) {}

    [[nodiscard]] Asked<Exit> run(const config::Endpoint& at, const protocol::CaptureHead& head) {
        boost::system::error_code failed;
        const auto address = asio::ip::make_address(at.address, failed);
        tcp::acceptor acceptor(loop_);
        const tcp::endpoint endpoint(address, at.port);
        if (!failed)
            (void)acceptor.open(endpoint.protocol(), failed);
        if (!failed)
            (void)acceptor.set_option(tcp::acceptor::reuse_address(true), failed);
        if (!failed)
            (void)acceptor.bind(endpoint, failed);
        if (!failed)
            (void)acceptor.listen(1, failed);
        if (failed)
            return cannot(
                fmt::format("cannot wait for calls at {}:{}: {}; stop the service if it has the port, "
                            "or give another one with --port",
                            plain(at.address), at.port, failed.message()));
        if (auto begun = recorder_.begin(order_.record, head); !begun)
            return std::unexpected(begun.error());
        take_calls(acceptor);
        beat();
        if (order_.once)
            loop_.run_for(patience_with(tool_));
        else if (order_.for_ms != 0)
            loop_.run_until(watch_.end());
        else
            loop_.run();
        if (trouble_)
            return cannot(std::move(*trouble_));
        if (!heard_ && order_.once)
            return nothing_came(fmt::format("a tool that calls at {}:{}", at.address, at.port),
                                patience_with(tool_), "check that it calls this address and port");
        if (!heard_)
            return cannot(fmt::format("no tool called at {}:{}; check that it calls this address and port",
                                      plain(at.address), at.port));
        return screen_.end();
    }

  private:
    struct Call {
        explicit Call(tcp::socket accepted, LineLooker lines)
            : socket(std::move(accepted)), looker(std::move(lines)) {}
        tcp::socket socket;
        LineLooker looker;
        std::array<char, 4096> incoming{};
    };

    void take_calls(tcp::acceptor& acceptor) {
        acceptor.async_accept([this, &acceptor](const boost::system::error_code& failed, tcp::socket socket) {
            if (failed)
                return end(fmt::format("no more calls can be taken: {}", failed.message()));
            // One at a time: a tool that calls again has lost its former connection.
            call_ = std::make_shared<Call>(std::move(socket), LineLooker({.tool = tool_.id,
                                                                          .range = range_of(tool_),
                                                                          .acknowledges = order_.acknowledge,
                                                                          .key = key_}));
            read(call_);
            take_calls(acceptor);
        });
    }
    void read(const std::shared_ptr<Call>& call) {
        call->socket.async_read_some(
            asio::buffer(call->incoming),
            [this, call](const boost::system::error_code& failed, std::size_t count) {
                if (failed || call != call_)
                    return;
                const std::string_view bytes(call->incoming.data(), count);
                keep(protocol::CaptureSide::tool, bytes);
                for (const LineSaid& said : call->looker.hear(bytes)) {
                    heard_ = true;
                    screen_.show(watch_.at_us(), said);
                    send(*call, said.answer);
                }
                if (order_.once && heard_)
                    return loop_.stop();
                read(call);
            });
    }
    // Lines are short and the tool reads them: a socket that takes no more is as good as gone.
    void send(Call& call, const std::string& unsealed) {
        if (unsealed.empty())
            return;
        const std::string line = call.looker.sealed(unsealed);
        keep(protocol::CaptureSide::station, line);
        boost::system::error_code failed;
        asio::write(call.socket, asio::buffer(line), failed);
        if (failed)
            (void)call.socket.close(failed);
    }
    void beat() {
        timer_.expires_after(line_beat);
        timer_.async_wait([this](const boost::system::error_code& failed) {
            if (failed)
                return;
            if (call_ && call_->socket.is_open() && call_->looker.greeted())
                send(*call_, to_line(protocol::Beat{}));
            beat();
        });
    }
    void keep(protocol::CaptureSide from, std::string_view bytes) {
        if (auto kept = recorder_.keep(from, bytes); !kept)
            end(std::move(kept.error()));
    }
    void end(std::string why) {
        trouble_ = std::move(why);
        loop_.stop();
    }

    LookOrder order_;
    const config::Tool& tool_;
    std::optional<protocol::SharedKey> key_;
    Screen screen_;
    Watch watch_;
    Recorder recorder_;
    asio::io_context loop_;
    asio::steady_timer timer_{loop_};
    std::shared_ptr<Call> call_;
    bool heard_ = false;
    std::optional<std::string> trouble_;
};

// Nothing: its lines bear no seal.
Asked<std::optional<protocol::SharedKey>> key_to_hear(const LookOrder& order, const config::Tool& tool) {
    const auto* link = std::get_if<config::LineLink>(&tool.link);
    if (link == nullptr || link->key.empty())
        return std::optional<protocol::SharedKey>();
    if (order.keys.empty())
        return wrong_usage(fmt::format("tool {} speaks with a key; name the folder of its file {}, which is "
                                       "the state folder of the service, with --keys",
                                       plain(tool.id), plain(link->key)));
    const auto key = config::read_key_file(std::filesystem::path(order.keys) / link->key);
    if (!key)
        return cannot(plain(fmt::format("the key of tool {} cannot be used: {}", tool.id, key.error())));
    return std::optional(*key);
}

Asked<Exit> look_at_caller(const Desk& desk, const LookOrder& order, const config::Station& station,
                           const config::Tool& tool) {
    config::Endpoint at = station.tool_port.value_or(config::Endpoint{"0.0.0.0", 0});
    if (order.port != 0)
        at.port = order.port;
    if (at.port == 0)
        return wrong_usage(
            fmt::format("tool {} calls the station, and the description names no tool port; give "
                        "one with --port",
                        plain(tool.id)));
    const auto key = key_to_hear(order, tool);
    if (!key)
        return std::unexpected(key.error());
    if (order.acknowledge)
        complain("what is acknowledged here is in no record: the tool may forget it; use it for trials only");
    if (!desk.json)
        print(plain(fmt::format("tool {} is awaited at {}:{}; {}.{}", tool.id, at.address, at.port,
                                order.acknowledge ? "its results are acknowledged"
                                                  : "nothing is acknowledged, so that it keeps its results",
                                how_it_ends(order))) +
              "\n" + link_errors_line(protocol::detected_by_lines(key->has_value())));
    return CallerLook(desk, order, tool, *key)
        .run(at, {.wire = protocol::CaptureWire::lines,
                  .tool = tool.id,
                  .connection = fmt::format("{}:{}", at.address, at.port),
                  .profile = {},
                  .profile_digest = {},
                  .began = {}});
}

// ---- out of a capture
// ---------------------------------------------------------------------------------------

template <class Profile>
void warn_of_another_profile(const Profile& profile, const std::string& id,
                             const protocol::Capture& capture) {
    if (digest_of_profile(profile) != capture.head.profile_digest)
        complain(plain(fmt::format(
            "the profile {} is not the one that the capture was made with; what it says now is shown", id)));
}

Asked<Exit> replay_registers(const Desk& desk, const LookOrder& order, const protocol::Capture& capture,
                             const config::Station& station, const config::Tool& tool) {
    const auto* link = std::get_if<config::RegisterLink>(&tool.link);
    if (link == nullptr)
        return wrong_usage(fmt::format("the capture holds registers, and tool {} has none; "
                                       "name the tool that it was made of",
                                       plain(tool.id)));
    const auto profile = profile_named(station, tool, link->profile);
    if (!profile)
        return std::unexpected(profile.error());
    warn_of_another_profile(**profile, link->profile, capture);
    const auto wire = capture.head.wire == protocol::CaptureWire::modbus_serial ? protocol::ModbusWire::serial
                                                                                : protocol::ModbusWire::tcp;
    RecordedAnswers answers(capture, wire);
    std::uint8_t unit = link->unit;
    if (const auto exchanges = protocol::exchanges_in(capture); !exchanges.empty())
        if (const auto asked = protocol::asked_in(wire, exchanges.front().request))
            unit = static_cast<std::uint8_t>(asked->front());
    RegisterLooker looker(**profile, wire, unit,
                          [&](const std::string& request) { return answers.answer(request); });
    Screen screen(desk, order);
    while (!answers.over()) {
        const auto at_us = answers.at_us();
        answers.begin_look();
        auto look = looker.look();
        if (!look && answers.over()) {
            complain(look.error());
            break;
        }
        if (!look)
            return cannot(plain(look.error()));
        screen.show(at_us, std::move(*look));
        if (order.once)
            break;
    }
    return screen.end();
}

Asked<Exit> replay_lines(const Desk& desk, const LookOrder& order, const protocol::Capture& capture,
                         const config::Tool& tool) {
    LineLooker looker({.tool = tool.id, .range = range_of(tool), .replayed = true});
    Screen screen(desk, order);
    for (const auto& part : capture.parts)
        if (part.from == protocol::CaptureSide::tool)
            for (const LineSaid& said : looker.hear(part.bytes))
                screen.show(part.at_us, said);
    return screen.end();
}

// A frame that a later part goes on with is whole with that part, as it was then.
Asked<Exit> replay_frames(const Desk& desk, const LookOrder& order, const protocol::Capture& capture,
                          const config::Station& station, const config::Tool& tool) {
    const auto* link = std::get_if<config::FrameLink>(&tool.link);
    if (link == nullptr)
        return wrong_usage(fmt::format("the capture holds frames, and tool {} sends none; name the tool that "
                                       "it was made of",
                                       plain(tool.id)));
    const auto profile = frames_of(station, tool, link->profile);
    if (!profile)
        return std::unexpected(profile.error());
    warn_of_another_profile(**profile, link->profile, capture);
    FrameLooker looker(**profile);
    Screen screen(desk, order);
    std::int64_t at_us = 0;
    for (const auto& part : capture.parts) {
        if (part.from != protocol::CaptureSide::tool)
            continue;
        const bool paused = std::chrono::microseconds(part.at_us - at_us) >= (*profile)->pause;
        if (paused && looker.half())
            for (const FrameSaid& said : looker.give_up())
                screen.show(at_us, said);
        at_us = part.at_us;
        for (const FrameSaid& said : looker.hear(part.bytes))
            screen.show(at_us, said);
    }
    for (const FrameSaid& said : looker.give_up())
        screen.show(at_us, said);
    return screen.end();
}

Asked<Exit> replay(const Desk& desk, const LookOrder& order, const Draft& draft) {
    if (!order.record.empty() || !order.keys.empty() || order.acknowledge || order.port != 0 ||
        order.for_ms != 0)
        return wrong_usage(
            "a capture is only read: leave out --record, --keys, --acknowledge, --port and --for");
    const auto capture = read_capture_file(order.replay);
    if (!capture)
        return cannot(capture.error());
    const auto& station = draft.station;
    const auto tool = tool_named(station, order.tool.empty() ? capture->head.tool : order.tool);
    if (!tool)
        return std::unexpected(tool.error());
    tell_findings_about(draft, (*tool)->id, order.file);
    if (capture->parts.empty())
        return std::unexpected(Failure{
            Exit::no, fmt::format("{}: nothing was recorded in it; record again, and see that the tool "
                                  "speaks meanwhile",
                                  plain(order.replay))});
    if (capture->cut)
        complain(fmt::format("{} was cut off; what is whole of it is shown", plain(order.replay)));
    if (!desk.json)
        print(plain(fmt::format("tool {} at {}, recorded {}", capture->head.tool, capture->head.connection,
                                short_time(capture->head.began))) +
              "\n");
    if (capture->head.wire == protocol::CaptureWire::lines)
        return replay_lines(desk, order, *capture, **tool);
    if (capture->head.wire == protocol::CaptureWire::frames)
        return replay_frames(desk, order, *capture, station, **tool);
    return replay_registers(desk, order, *capture, station, **tool);
}

// An option that would do nothing is no answer to what was wanted by it.
Asked<void> only_what_fits(const LookOrder& order, const config::Tool& tool) {
    const auto* frames = std::get_if<config::FrameLink>(&tool.link);
    const auto* line = std::get_if<config::LineLink>(&tool.link);
    const bool calls =
        line != nullptr || (frames != nullptr && std::holds_alternative<config::FrameListen>(frames->way));
    const auto refuse = [&](std::string_view option, std::string_view whom, std::string_view but) {
        return wrong_usage(fmt::format("{} is for tools that {}, and {} {}; leave it out", option, whom,
                                       plain(tool.id), but));
    };
    if (order.orders && !std::holds_alternative<config::RegisterLink>(tool.link))
        return refuse("--orders", "are polled", "is not");
    if (order.port != 0 && !calls)
        return refuse("--port", "call the station", "does not");
    if (!order.keys.empty() && (line == nullptr || line->key.empty()))
        return refuse("--keys", "have a key", "has none");
    return {};
}

std::string which_tool(const config::Station& station, const std::string& file) {
    if (station.tools.empty())
        return fmt::format("{} describes no tools; enter under tools the one that is looked at", plain(file));
    if (station.tools.size() == 1)
        return fmt::format("no tool is named to look at; {} has one, name it: {}", plain(file),
                           plain(station.tools.front().id));
    return fmt::format("{} has several tools; name one of: {}", plain(file),
                       plain(fmt::format("{}", fmt::join(tool_ids(station), ", "))));
}

}  // namespace

std::string link_errors_line(const std::vector<protocol::LinkError>& detected) {
    std::vector<std::string_view> seen;
    std::vector<std::string_view> unseen;
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<protocol::LinkError>>([&](auto error) {
        (protocol::detects(detected, error.value) ? seen : unseen)
            .push_back(protocol::link_error_text(error.value));
    });
    const auto list = [](const std::vector<std::string_view>& errors) {
        return errors.empty() ? std::string("none") : fmt::format("{}", fmt::join(errors, ", "));
    };
    return fmt::format("Link errors (OPC 10000-15) that it detects: {}; that it does not: {}\n", list(seen),
                       list(unseen));
}

Asked<Exit> look_at(const Desk& desk, const LookOrder& order) {
    // Mistakes beyond the tool and its profile do not matter here: a description is wired while it is
    // written.
    const auto draft = draft_in(order.file, "it cannot be read");
    if (!draft)
        return std::unexpected(draft.error());
    const config::Station& station = draft->station;
    if (!order.replay.empty())
        return replay(desk, order, *draft);
    if (order.tool.empty())
        return wrong_usage(which_tool(station, order.file));
    if (const auto module = std::ranges::find(station.io, order.tool, &config::IoModule::id);
        module != station.io.end()) {
        tell_findings_about_module(*draft, module->id, order.file);
        return look_at_module(desk, order, *module);
    }
    const auto tool = tool_named(station, order.tool);
    if (!tool)
        return std::unexpected(tool.error());
    tell_findings_about(*draft, (*tool)->id, order.file);
    if (const auto* link = std::get_if<config::PulseLink>(&(*tool)->link))
        return wrong_usage(fmt::format(
            "tool {} only clicks, by input {} of the I/O module {}; look at that: tautgate "
            "look {} {}",
            plain((*tool)->id), plain(link->input), plain(link->io), plain(order.file), plain(link->io)));
    if (auto fits = only_what_fits(order, **tool); !fits)
        return std::unexpected(std::move(fits.error()));
    if (const auto* link = std::get_if<config::RegisterLink>(&(*tool)->link))
        return look_at_polled(desk, order, station, **tool, *link);
    if (const auto* link = std::get_if<config::FrameLink>(&(*tool)->link))
        return look_at_frames(desk, order, station, **tool, *link);
    return look_at_caller(desk, order, station, **tool);
}

}  // namespace tautgate::cli
