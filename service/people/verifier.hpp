// Runs the costly password hashing on one worker thread, one job at a time, and posts the answer back to the
// loop. The queue is bounded: when it is full the caller says "busy" instead of piling up memory. The loop's
// thread calls everything here and receives every answer; the destructor waits for the job in hand.
#pragma once

#include <cstddef>
#include <expected>
#include <functional>
#include <memory>
#include <string>

#include "service/people/credential.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::people {

class Verifier {
  public:
    static constexpr std::size_t queue_limit = 8;

    explicit Verifier(boost::asio::io_context& loop);
    Verifier(const Verifier&) = delete;
    Verifier& operator=(const Verifier&) = delete;
    Verifier(Verifier&&) = delete;
    Verifier& operator=(Verifier&&) = delete;
    ~Verifier();

    // False: the queue is full; nothing was taken and `done` is not called.
    [[nodiscard]] bool verify(std::string stored, Secret secret, std::function<void(Verification)> done);
    [[nodiscard]] bool hash(Secret secret, HashCost cost,
                            std::function<void(std::expected<std::string, SecretFault>)> done);

  private:
    struct Worker;
    std::unique_ptr<Worker> worker_;
};

}  // namespace tautgate::people
