#include "service/links/order_watch.hpp"

#include <atomic>
#include <optional>
#include <thread>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <fmt/format.h>
#include <pthread.h>
#include <sched.h>

namespace tautgate::links {

bool OrderTurns::take(const std::string& folder, const std::stop_token& stop) {
    std::unique_lock lock{mutex_};
    given_back_.wait(lock, stop, [&] { return !taken_.contains(folder); });
    return !stop.stop_requested() && taken_.insert(folder).second;
}

void OrderTurns::give_back(const std::string& folder) {
    {
        const std::lock_guard lock{mutex_};
        taken_.erase(folder);
    }
    given_back_.notify_all();
}

bool OrderTurns::is_free(const std::string& folder) const {
    const std::lock_guard lock{mutex_};
    return !taken_.contains(folder);
}

// Owned by its thread, too, which may outlive the watch and the loop.
class OrderWatch::Watcher : public std::enable_shared_from_this<Watcher> {
  public:
    Watcher(boost::asio::io_context& loop, OrderFolder folder, Sink sink, std::shared_ptr<OrderTurns> turns,
            OrderWatchSettings settings)
        : folder_(std::move(folder)), turns_(std::move(turns)), sink_(std::move(sink)), settings_(settings),
          path_(folder_.path()), loop_(&loop) {}

    void start() {
        std::thread([self = shared_from_this()] {
            // The line comes first; where the system refuses, the looks merely run like everything else.
            const sched_param idle{};
            static_cast<void>(pthread_setschedparam(pthread_self(), SCHED_IDLE, &idle));
            self->run(self->stop_.get_token());
        }).detach();
    }
    void answer(std::uint64_t number, protocol::OrderAnswer answer) {
        {
            const std::lock_guard lock{mutex_};
            answer_ = Answer{number, std::move(answer)};
        }
        answered_.notify_one();
    }
    void stop() {
        stopped_ = true;
        {
            const std::lock_guard lock{mutex_};
            loop_ = nullptr;
        }
        stop_.request_stop();
    }
    void look_for_silence() {
        const SteadyTime since = look_since_.load();
        const bool is_silent =
            since != SteadyTime{} && std::chrono::steady_clock::now() - since >= settings_.silence_told;
        if (std::exchange(is_silent_, is_silent) != is_silent)
            tell_of_folder();
    }

  private:
    struct Answer {
        std::uint64_t number = 0;
        protocol::OrderAnswer answer;
    };

    // ---- the thread's -----------------------------------------------------------------------------------

    void run(const std::stop_token& stop) {
        look_since_ = std::chrono::steady_clock::now();
        if (!turns_->take(path_, stop))
            return;
        while (!stop.stop_requested()) {
            const auto now = std::chrono::steady_clock::now();
            look_since_ = now;
            auto file = folder_.look(now, stop);
            look_since_ = SteadyTime{};
            tell_troubles();
            const bool is_misread = file && std::holds_alternative<OrdersMisread>(*file);
            if (file)
                std::visit([this](auto& found) { post(std::move(found)); }, *file);
            if (!is_misread)  // that one is answered by the next look, at once
                pass_on_answer(stop);
        }
        turns_->give_back(path_);
    }
    // Until there is an answer, or it is time to look again.
    void pass_on_answer(const std::stop_token& stop) {
        std::unique_lock lock{mutex_};
        answered_.wait_for(lock, stop, settings_.look_interval, [this] { return answer_.has_value(); });
        if (const auto answer = std::exchange(answer_, std::nullopt))
            folder_.answer(answer->number, answer->answer);
    }
    void tell_troubles() {
        if (auto remark = folder_.take_remark())
            post(OrderFolderRemark{*std::move(remark)});
        if (folder_.troubles() == told_)
            return;
        told_ = folder_.troubles();
        post(OrderFolderTroubles{told_});
    }
    // The loop may be gone once the watch has stopped.
    void post(OrderNotice notice) {
        const std::lock_guard lock{mutex_};
        if (loop_ == nullptr)
            return;
        boost::asio::post(*loop_, [self = shared_from_this(), notice = std::move(notice)]() mutable {
            self->hear(std::move(notice));
        });
    }

    // ---- the loop's -------------------------------------------------------------------------------------

    void hear(OrderNotice notice) {
        if (stopped_)
            return;
        if (auto* const troubles = std::get_if<OrderFolderTroubles>(&notice)) {
            of_folder_ = std::move(troubles->sentences);
            return tell_of_folder();
        }
        sink_(std::move(notice));
    }
    void tell_of_folder() {
        OrderFolderTroubles troubles{of_folder_};
        if (is_silent_)
            troubles.sentences.insert(
                troubles.sentences.begin(),
                fmt::format(
                    "the order folder '{}' does not answer, so that no order file is taken or answered; see "
                    "whether its disk, or the computer that it lies on, is there",
                    path_));
        sink_(std::move(troubles));
    }

    // The thread's, once it runs.
    OrderFolder folder_;
    std::vector<std::string> told_;
    const std::shared_ptr<OrderTurns> turns_;
    // The loop's.
    Sink sink_;
    std::vector<std::string> of_folder_;
    bool is_silent_ = false;
    bool stopped_ = false;
    // Both.
    const OrderWatchSettings settings_;
    const std::string path_;
    std::stop_source stop_;
    std::mutex mutex_;
    std::condition_variable_any answered_;
    std::optional<Answer> answer_;
    // While a look, or the wait for one's turn, is in hand. No lock: the loop waits for no thread that comes
    // last.
    std::atomic<SteadyTime> look_since_{SteadyTime{}};
    boost::asio::io_context* loop_;  // none: stopped
};

// Sees from the loop that a look takes too long.
class OrderWatch::Lookout : public std::enable_shared_from_this<Lookout> {
  public:
    Lookout(boost::asio::io_context& loop, std::shared_ptr<Watcher> watcher,
            std::chrono::milliseconds interval)
        : watcher_(std::move(watcher)), interval_(interval), timer_(loop) {}

    void start() {
        timer_.expires_after(interval_);
        timer_.async_wait([self = shared_from_this()](const boost::system::error_code& error) {
            if (error || self->stopped_)
                return;
            self->watcher_->look_for_silence();
            if (!self->stopped_)
                self->start();
        });
    }
    void stop() {
        stopped_ = true;
        timer_.cancel();
    }

  private:
    const std::shared_ptr<Watcher> watcher_;
    const std::chrono::milliseconds interval_;
    boost::asio::steady_timer timer_;
    bool stopped_ = false;
};

namespace {
constexpr int lookouts_within_silence = 5;
}  // namespace

OrderWatch::OrderWatch(boost::asio::io_context& loop, OrderFolder folder, Sink sink,
                       std::shared_ptr<OrderTurns> turns, OrderWatchSettings settings)
    : watcher_(
          std::make_shared<Watcher>(loop, std::move(folder), std::move(sink), std::move(turns), settings)),
      lookout_(std::make_shared<Lookout>(loop, watcher_, settings.silence_told / lookouts_within_silence)) {}
OrderWatch::~OrderWatch() { stop(); }

void OrderWatch::start() {
    watcher_->start();
    lookout_->start();
}
void OrderWatch::answer(std::uint64_t number, protocol::OrderAnswer answer) {
    watcher_->answer(number, std::move(answer));
}
void OrderWatch::stop() {
    lookout_->stop();
    watcher_->stop();
}

}  // namespace tautgate::links
