#include "service/links/order_watch.hpp"

#include <condition_variable>
#include <mutex>
#include <optional>
#include <stop_token>
#include <thread>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <pthread.h>
#include <sched.h>

namespace tautgate::links {

class OrderWatch::Watcher : public std::enable_shared_from_this<Watcher> {
  public:
    Watcher(boost::asio::io_context& loop, OrderFolder folder, Sink sink, std::chrono::milliseconds interval)
        : loop_(loop), folder_(std::move(folder)), sink_(std::move(sink)), interval_(interval) {}

    void start() {
        thread_ = std::jthread([this](const std::stop_token& stop) {
            // The line comes first; where the system refuses, the looks merely run like everything else.
            const sched_param idle{};
            static_cast<void>(pthread_setschedparam(pthread_self(), SCHED_IDLE, &idle));
            run(stop);
        });
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
        thread_ = {};
    }

  private:
    struct Answer {
        std::uint64_t number = 0;
        protocol::OrderAnswer answer;
    };

    void run(const std::stop_token& stop) {
        while (!stop.stop_requested()) {
            auto file = folder_.look(std::chrono::steady_clock::now());
            tell_troubles();
            const bool is_misread = file && std::holds_alternative<OrdersMisread>(*file);
            if (file)
                std::visit([this](auto& found) { post(std::move(found)); }, *file);
            if (!is_misread)  // that one is answered by the next look, at once
                pass_on_answer(stop);
        }
    }
    // Until there is an answer, or it is time to look again.
    void pass_on_answer(const std::stop_token& stop) {
        std::unique_lock lock{mutex_};
        answered_.wait_for(lock, stop, interval_, [this] { return answer_.has_value(); });
        if (const auto answer = std::exchange(answer_, std::nullopt))
            folder_.answer(answer->number, answer->answer);
    }
    void tell_troubles() {
        if (folder_.troubles() == told_)
            return;
        told_ = folder_.troubles();
        post(OrderFolderTroubles{told_});
    }
    void post(OrderNotice notice) {
        boost::asio::post(loop_, [self = shared_from_this(), notice = std::move(notice)]() mutable {
            if (!self->stopped_)
                self->sink_(std::move(notice));
        });
    }

    boost::asio::io_context& loop_;
    // The thread's, once it runs.
    OrderFolder folder_;
    std::vector<std::string> told_;
    // The loop's.
    Sink sink_;
    bool stopped_ = false;
    // Both.
    const std::chrono::milliseconds interval_;
    std::mutex mutex_;
    std::condition_variable_any answered_;
    std::optional<Answer> answer_;
    std::jthread thread_;  // last: it uses the others
};

OrderWatch::OrderWatch(boost::asio::io_context& loop, OrderFolder folder, Sink sink,
                       std::chrono::milliseconds look_interval)
    : watcher_(std::make_shared<Watcher>(loop, std::move(folder), std::move(sink), look_interval)) {}
OrderWatch::~OrderWatch() { watcher_->stop(); }

void OrderWatch::start() { watcher_->start(); }
void OrderWatch::answer(std::uint64_t number, protocol::OrderAnswer answer) {
    watcher_->answer(number, std::move(answer));
}
void OrderWatch::stop() { watcher_->stop(); }

}  // namespace tautgate::links
