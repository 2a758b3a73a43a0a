// What people at the station use, as small blocking clients: the ticket scanner and the HTTP API. One thread
// at a time for each object; every call ends within its time limit.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <memory>
#include <string>
#include <string_view>

#include <nlohmann/json.hpp>

namespace tautgate::simulation {

// A hand scanner on TCP. Dials when it has something to send and no connection.
class Scanner {
  public:
    Scanner(std::string host, std::uint16_t port);
    ~Scanner();
    Scanner(const Scanner&) = delete;
    Scanner& operator=(const Scanner&) = delete;
    Scanner(Scanner&&) = delete;
    Scanner& operator=(Scanner&&) = delete;

    // Sends the label and its end of line. The error is one sentence.
    [[nodiscard]] std::expected<void, std::string> scan(std::string_view label);
    // Sends bytes as they are.
    [[nodiscard]] std::expected<void, std::string> send_raw(std::string_view bytes);
    void hang_up();

  private:
    class Wire;
    std::unique_ptr<Wire> wire_;
};

struct Answer {
    unsigned status = 0;
    nlohmann::json body;  // null where the answer was empty
    [[nodiscard]] bool good() const noexcept { return status >= 200 && status < 300; }
};

// The first sentence of an error answer, or its whole body.
[[nodiscard]] std::string words_of(const Answer& answer);

// A session of one person. `second` is the session of another person who agrees, where a call asks for one.
struct Approval {
    std::string session;
    std::string second;
};

class ApiClient {
  public:
    ApiClient(std::string host, std::uint16_t port,
              std::chrono::milliseconds limit = std::chrono::seconds(15))
        : host_(std::move(host)), port_(port), limit_(limit) {}

    // An error means that no whole answer came; an answer with an error status is an answer.
    [[nodiscard]] std::expected<Answer, std::string> get(const std::string& target) const;
    [[nodiscard]] std::expected<Answer, std::string>
    post(const std::string& target, const nlohmann::json& body, const Approval& approval = {}) const;
    [[nodiscard]] std::expected<Answer, std::string>
    put(const std::string& target, const nlohmann::json& body, const Approval& approval = {}) const;

    [[nodiscard]] const std::string& host() const noexcept { return host_; }
    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }

  private:
    [[nodiscard]] std::expected<Answer, std::string>
    call(int method, const std::string& target, const std::string& body, const Approval& approval) const;
    std::string host_;
    std::uint16_t port_;
    std::chrono::milliseconds limit_;
};

}  // namespace tautgate::simulation
