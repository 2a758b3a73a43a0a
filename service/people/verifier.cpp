#include "service/people/verifier.hpp"

#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/thread_pool.hpp>

namespace tautgate::people {

struct Verifier::Worker {
    explicit Worker(boost::asio::io_context& io) : loop(io) {}

    // `work` runs on the worker, `done` with its answer on the loop. While a job is out, the loop has work.
    template <class Work, class Done>
    bool run(Work work, Done done) {
        if (*waiting >= queue_limit)
            return false;
        ++*waiting;
        auto keep_loop = boost::asio::make_work_guard(loop);
        boost::asio::post(pool, [this, work = std::move(work), done = std::move(done), counter = waiting,
                                 keep_loop = std::move(keep_loop)]() mutable {
            auto answer = work();
            boost::asio::post(loop, [counter = std::move(counter), answer = std::move(answer),
                                     done = std::move(done)]() mutable {
                --*counter;
                done(std::move(answer));
            });
        });
        return true;
    }

    boost::asio::io_context& loop;
    std::shared_ptr<std::size_t> waiting =
        std::make_shared<std::size_t>(0);  // read and written on the loop only
    boost::asio::thread_pool pool{1};
};

Verifier::Verifier(boost::asio::io_context& loop) : worker_(std::make_unique<Worker>(loop)) {}

Verifier::~Verifier() {
    worker_->pool.stop();  // what waits is dropped, the one in hand is finished
    worker_->pool.join();
}

bool Verifier::verify(std::string stored, Secret secret, std::function<void(Verification)> done) {
    return worker_->run(
        [stored = std::move(stored), secret = std::move(secret)] { return verify_secret(stored, secret); },
        std::move(done));
}

bool Verifier::hash(Secret secret, HashCost cost,
                    std::function<void(std::expected<std::string, SecretFault>)> done) {
    return worker_->run([secret = std::move(secret), cost] { return hash_secret(secret, cost); },
                        std::move(done));
}

}  // namespace tautgate::people
