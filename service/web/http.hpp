// One request and one answer, free of any socket. The server fills in the one and sends the other; tests do
// the same. Plain values; any thread.
#pragma once

#include <functional>
#include <string>
#include <utility>
#include <vector>

namespace tautgate::web {

struct Request {
    std::string method{};
    std::string target{};  // as sent: path and query, percent-encoded
    std::string host{};
    std::string origin{};
    std::string content_type{};
    std::string authorization{};
    std::string second_session{};
    std::string body{};
    bool from_loopback = false;
};

struct Response {
    unsigned status = 200;
    std::string content_type = "application/json";
    std::string body{};
    std::vector<std::pair<std::string, std::string>> headers{};  // besides those of every answer
};

using Respond = std::function<void(Response)>;

// What the caller did not get and why; the body of every answer from 400 on.
struct Problem {
    unsigned status = 400;
    std::string code{};   // stable, snake_case
    std::string what{};   // what was not done
    std::string where{};  // the path, member or header that it is about
    std::string why{};
    std::string remedy{};
};

[[nodiscard]] Response to_response(const Problem& problem);

}  // namespace tautgate::web
