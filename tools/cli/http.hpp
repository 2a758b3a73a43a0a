// Asks the service at the station, over HTTP on the loopback. Every call ends within its time limit.
// Blocking; one thread at a time. Secrets travel in these calls, and the service speaks no TLS: any address
// that is not on the loopback is refused before a byte is sent.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <string>
#include <string_view>

namespace tautgate::cli {

struct ApiAddress {
    std::string host;  // as written
    std::uint16_t port = 0;
};
// "http://127.0.0.1:8460" and nothing else: http, a loopback address or localhost, a port, no path. The error
// is one sentence.
[[nodiscard]] std::expected<ApiAddress, std::string> parse_api(std::string_view url);

struct Reply {
    unsigned status = 0;
    std::string body;
    std::string next_from;  // header of /v1/events
};

// Whose sessions a call bears.
struct Bearer {
    std::string session;
    std::string second;
};

class Http {
  public:
    explicit Http(ApiAddress address) : address_(std::move(address)) {}
    // An answer with an error status is an answer; the error is one sentence: no whole answer came.
    [[nodiscard]] std::expected<Reply, std::string>
    get(const std::string& target, const Bearer& bearer = {},
        std::chrono::milliseconds limit = std::chrono::seconds(15)) const;
    [[nodiscard]] std::expected<Reply, std::string> post(const std::string& target, const std::string& json,
                                                         const Bearer& bearer = {}) const;
    [[nodiscard]] std::expected<Reply, std::string>
    post_csv(const std::string& target, const std::string& csv, const Bearer& bearer) const;

  private:
    struct Call;
    [[nodiscard]] std::expected<Reply, std::string> run(const Call& call) const;
    ApiAddress address_;
};

// A text as one part of a path (RFC 3986: everything but unreserved characters is escaped).
[[nodiscard]] std::string path_part(std::string_view text);

}  // namespace tautgate::cli
