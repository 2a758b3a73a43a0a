#include "tools/simulation/line_tool.hpp"

#include <algorithm>
#include <array>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <thread>
#include <utility>
#include <variant>
#include <vector>

#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>

namespace tautgate::simulation {

namespace asio = boost::asio;
using boost::system::error_code;
namespace ip = asio::ip;

// Everything but the status lives on the tool's own thread.
class LineTool::Wire {
  public:
    explicit Wire(LineToolSettings settings)
        : settings_(std::move(settings)), socket_(io_), beat_(io_), redial_(io_) {
        status_.epoch = settings_.epoch;
        asio::post(io_, [this] { dial(); });
        thread_ = std::thread([this] { io_.run(); });
    }
    ~Wire() {
        asio::post(io_, [this] {
            stopping_ = true;
            hang_up();
            redial_.cancel();
            work_.reset();
        });
        thread_.join();
    }
    Wire(const Wire&) = delete;
    Wire& operator=(const Wire&) = delete;
    Wire(Wire&&) = delete;
    Wire& operator=(Wire&&) = delete;

    // Runs `work` on the tool's thread and waits for it.
    template <class Work>
    void on_thread(Work work) {
        std::mutex mutex;
        std::condition_variable done;
        bool finished = false;
        asio::post(io_, [&] {
            work();
            const std::lock_guard lock{mutex};
            finished = true;
            done.notify_one();
        });
        std::unique_lock lock{mutex};
        done.wait(lock, [&] { return finished; });
    }

    void report(protocol::WrittenResult result, const std::optional<protocol::Trace>& trace,
                std::uint64_t& counter) {
        counter = result.counter = ++newest_;
        kept_.push_back(std::move(result));
        if (trace)
            traces_.push_back({newest_, protocol::trace_lines(newest_, *trace)});
        update([&](Status& status) { status.newest = newest_; });
        if (held_back_ || !status_.welcomed)
            return;
        send_result(kept_.back());
        if (trace)
            send_trace(traces_.back());
    }
    void raw(std::string bytes) { send(std::move(bytes)); }
    void cut() {
        cut_ = true;
        redial_.cancel();
        hang_up();
    }
    void mend() {
        if (!std::exchange(cut_, false))
            return;
        dial();
    }
    void hold_back(bool on) {
        const bool released = held_back_ && !on;
        held_back_ = on;
        if (released && status_.welcomed)
            send_all();
    }
    void send_twice(unsigned results) { twice_ = results; }
    void disobey(bool on) { disobeys_ = on; }
    void lose_one() {
        ++newest_;
        update([&](Status& status) { status.newest = newest_; });
    }
    void restart(std::string epoch) {
        settings_.epoch = std::move(epoch);
        newest_ = 0;
        kept_.clear();
        traces_.clear();
        update([&](Status& status) {
            status.epoch = settings_.epoch;
            status.newest = 0;
            status.acknowledged = 0;
        });
        hang_up();
        dial_later();
    }

    [[nodiscard]] Status status() const {
        const std::lock_guard lock{mutex_};
        return status_;
    }
    [[nodiscard]] bool await(const std::function<bool(const Status&)>& wanted,
                             std::chrono::milliseconds limit) const {
        std::unique_lock lock{mutex_};
        return changed_.wait_for(lock, limit, [&] { return wanted(status_); });
    }

  private:
    struct KeptTrace {
        std::uint64_t counter = 0;
        std::vector<std::string> lines;
    };

    template <class Change>
    void update(Change change) {
        {
            const std::lock_guard lock{mutex_};
            change(status_);
            status_.kept = kept_.size();
        }
        changed_.notify_all();
    }

    void dial() {
        if (cut_ || stopping_)
            return;
        error_code failed;
        const auto address = asio::ip::make_address(settings_.host, failed);
        if (failed)
            return dial_later();
        ++connection_;
        socket_ = ip::tcp::socket(io_);
        socket_.async_connect({address, settings_.port}, [this, id = connection_](const error_code& error) {
            if (id != connection_)
                return;
            if (error)
                return dial_later();
            greet();
        });
    }
    void dial_later() {
        if (cut_ || stopping_)
            return;
        redial_.expires_after(settings_.redial_after);
        redial_.async_wait([this](const error_code& error) {
            if (!error)
                dial();
        });
    }
    void greet() {
        error_code ignored;  // without it the link is only slower
        (void)socket_.set_option(ip::tcp::no_delay(true), ignored);
        splitter_ = {};
        seal_.reset();
        outgoing_.clear();
        open_ = true;
        welcome_by_ = std::chrono::steady_clock::now() + settings_.welcome_within;
        hello_ = to_line(protocol::Hello{settings_.id, settings_.epoch, newest_,
                                         settings_.key ? protocol::fresh_nonce() : std::string{}});
        send(hello_);
        read();
        beat();
    }
    void hang_up() {
        ++connection_;  // answers of the old connection are not taken any more
        open_ = false;
        error_code ignored;  // the socket is given up either way
        (void)socket_.close(ignored);
        beat_.cancel();
        outgoing_.clear();
        update([](Status& status) {
            status.welcomed = false;
            status.may_run = false;
        });
    }
    void lost() {
        hang_up();
        dial_later();
    }
    void beat() {
        beat_.expires_after(settings_.beat_interval);
        beat_.async_wait([this](const error_code& error) {
            if (error || !open_)
                return;
            if (!status_.welcomed && std::chrono::steady_clock::now() >= welcome_by_)
                return lost();
            if (!settings_.key || seal_)  // before the challenge nothing can be sealed
                send(to_line(protocol::Beat{}));
            beat();
        });
    }
    void read() {
        socket_.async_read_some(asio::buffer(incoming_),
                                [this, id = connection_](const error_code& error, std::size_t count) {
                                    if (id != connection_)
                                        return;
                                    if (error)
                                        return lost();
                                    splitter_.feed({incoming_.data(), count});
                                    while (auto line = id == connection_ ? splitter_.next() : std::nullopt)
                                        take(*line);
                                    if (id == connection_)
                                        read();
                                });
    }
    void take(std::expected<std::string_view, protocol::LineFault> line) {
        const bool sealed = line && seal_;
        if (sealed)
            line = seal_->open(*line);
        if (sealed && !line) {  // nothing on this connection is to be believed any more
            update([](Status& status) { ++status.misread; });
            return lost();
        }
        const auto message =
            line
                ? protocol::parse_station_line(*line)
                : std::expected<protocol::StationMessage, protocol::LineFault>{std::unexpected(line.error())};
        if (!message || (settings_.key && !seal_ && !is_before_seal(*message)))
            return update([](Status& status) { ++status.misread; });
        std::visit([this](const auto& content) { obey(content); }, *message);
    }
    // All that a tool with a key takes from somebody who has not shown to have it.
    static bool is_before_seal(const protocol::StationMessage& message) {
        return std::holds_alternative<protocol::Challenge>(message) ||
               std::holds_alternative<protocol::Refused>(message);
    }
    // What the station does not want to see any more, it has.
    void obey(const protocol::Welcome& welcome) {
        update([](Status& status) { status.welcomed = true; });
        if (welcome.resend_from > 0)
            obey(protocol::Acknowledge{std::min(welcome.resend_from - 1, newest_)});
        if (!held_back_)
            send_all();
    }
    void obey(const protocol::Acknowledge& acknowledge) {
        std::erase_if(kept_, [&](const auto& result) { return result.counter <= acknowledge.counter; });
        update([&](Status& status) {
            status.acknowledged = std::max(status.acknowledged, acknowledge.counter);
        });
    }
    void obey(const protocol::TraceStored& stored) {
        std::erase_if(traces_, [&](const KeptTrace& trace) { return trace.counter == stored.counter; });
        update([](Status& status) { ++status.traces_stored; });
    }
    void obey(const protocol::Refused& refused) {
        update([&](Status& status) {
            ++status.refusals;
            status.refused = refused.why;
        });
    }
    void obey(const protocol::Beat& beat) {
        if (beat.number > 0)
            send(to_line(beat));
    }
    void obey(const protocol::Challenge& challenge) {
        if (!settings_.key)
            return;
        splitter_.allow(protocol::sealed_limit);
        seal_.emplace(*settings_.key, protocol::LineSeal::Side::tool, hello_.substr(0, hello_.size() - 1),
                      challenge.nonce);
        send(to_line(protocol::Beat{}));  // proves who it is
    }
    void obey(const protocol::Enable& enable) {
        update([&](Status& status) {
            status.may_run = true;
            status.program = enable.program;
        });
        say_state(enable.order);
    }
    void obey(const protocol::Disable& disable) {
        update([](Status& status) { status.may_run = false; });
        say_state(disable.order);
    }
    void say_state(std::uint64_t order) {
        send(to_line(protocol::ToolSays{order, status_.may_run || disobeys_, status_.program, newest_}));
    }

    void send_all() {
        for (const auto& result : kept_)
            send_result(result);
        for (const auto& trace : traces_)
            send_trace(trace);
    }
    void send_trace(const KeptTrace& trace) {
        for (const auto& line : trace.lines)
            send(line);
    }
    void send_result(const protocol::WrittenResult& result) {
        unsigned times = 1;
        if (twice_ > 0) {
            --twice_;
            times = 2;
        }
        for (unsigned i = 0; i < times; ++i)
            send(to_line(result));
        update([&](Status& status) { status.sent += times; });
    }
    void send(std::string bytes) {
        if (!open_)
            return;
        if (seal_)
            bytes = sealed(bytes);
        outgoing_.push_back(std::move(bytes));
        if (outgoing_.size() == 1)
            write();
    }
    // Half a line stays half a line.
    std::string sealed(const std::string& line) {
        std::string bytes = seal_->seal(line);
        if (!line.ends_with('\n'))
            bytes.pop_back();
        return bytes;
    }
    void write() {
        asio::async_write(socket_, asio::buffer(outgoing_.front()),
                          [this, id = connection_](const error_code& error, std::size_t) {
                              if (id != connection_)
                                  return;
                              if (error)
                                  return lost();
                              outgoing_.pop_front();
                              if (!outgoing_.empty())
                                  write();
                          });
    }

    LineToolSettings settings_;
    asio::io_context io_;
    // A tool that is cut off waits for nothing, and its thread must stay all the same.
    asio::executor_work_guard<asio::io_context::executor_type> work_ = asio::make_work_guard(io_);
    ip::tcp::socket socket_;
    asio::steady_timer beat_;
    std::chrono::steady_clock::time_point welcome_by_;  // or the call is given up
    asio::steady_timer redial_;
    protocol::LineSplitter splitter_;
    std::string hello_;
    std::optional<protocol::LineSeal> seal_;
    std::array<char, 4096> incoming_{};
    std::deque<std::string> outgoing_;
    std::deque<protocol::WrittenResult> kept_;
    std::deque<KeptTrace> traces_;
    std::uint64_t newest_ = 0;
    std::uint64_t connection_ = 0;
    unsigned twice_ = 0;
    bool open_ = false;
    bool cut_ = false;
    bool held_back_ = false;
    bool disobeys_ = false;
    bool stopping_ = false;

    mutable std::mutex mutex_;
    mutable std::condition_variable changed_;
    Status status_;
    std::thread thread_;
};

LineTool::LineTool(LineToolSettings settings) : wire_(std::make_unique<Wire>(std::move(settings))) {}
LineTool::~LineTool() = default;

std::uint64_t LineTool::report(protocol::WrittenResult result, const std::optional<protocol::Trace>& trace) {
    std::uint64_t counter = 0;
    wire_->on_thread([&] { wire_->report(std::move(result), trace, counter); });
    return counter;
}
void LineTool::send_raw(std::string bytes) {
    wire_->on_thread([&] { wire_->raw(std::move(bytes)); });
}
void LineTool::cut() {
    wire_->on_thread([&] { wire_->cut(); });
}
void LineTool::mend() {
    wire_->on_thread([&] { wire_->mend(); });
}
void LineTool::hold_back(bool on) {
    wire_->on_thread([&] { wire_->hold_back(on); });
}
void LineTool::send_twice(unsigned results) {
    wire_->on_thread([&] { wire_->send_twice(results); });
}
void LineTool::restart(std::string epoch) {
    wire_->on_thread([&] { wire_->restart(std::move(epoch)); });
}
void LineTool::disobey(bool on) {
    wire_->on_thread([&] { wire_->disobey(on); });
}
void LineTool::lose_one() {
    wire_->on_thread([&] { wire_->lose_one(); });
}
LineTool::Status LineTool::status() const { return wire_->status(); }
bool LineTool::await(const std::function<bool(const Status&)>& wanted,
                     std::chrono::milliseconds limit) const {
    return wire_->await(wanted, limit);
}

}  // namespace tautgate::simulation
