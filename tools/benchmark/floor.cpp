// The chain floor: the least program that gives the promise of the service. It takes a result on TCP, parses
// it, chains it by SHA-256, commits one row durably (WAL, synchronous FULL), and then writes the permissive
// block to the controller and acknowledges. No rules, no people, no second thread; what goes wrong ends it
// with a word.
//
// Its row is as long as the one that the service stores for a result, of which the line is a part: whatever
// kept the grounds of a decision would have to write them.
//
//     tautgate-bench-floor DATABASE TOOL_PORT CONTROLLER_PORT ROW    answers one tool until that hangs up
//     tautgate-bench-floor --insert DATABASE MILLISECONDS LINE       only the row; prints how many a second
#include <algorithm>
#include <array>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <iostream>
#include <string>

#include <arpa/inet.h>
#include <modbus.h>
#include <netinet/tcp.h>
#include <nlohmann/json.hpp>
#include <openssl/sha.h>
#include <sqlite3.h>
#include <sys/socket.h>
#include <unistd.h>

#include "protocol/permissive_block.hpp"

namespace {

using Hash = std::array<unsigned char, SHA256_DIGEST_LENGTH>;

void need(bool good, const char* what) {
    if (good)
        return;
    std::perror(what);
    std::_Exit(EXIT_FAILURE);
}

class Rows {
  public:
    explicit Rows(const char* file) {
        need(sqlite3_open(file, &db_) == SQLITE_OK, "open the database");
        run("PRAGMA journal_mode = WAL");
        run("PRAGMA synchronous = FULL");
        run("CREATE TABLE IF NOT EXISTS event(number INTEGER PRIMARY KEY, body TEXT NOT NULL, hash BLOB NOT "
            "NULL)");
        need(sqlite3_prepare_v2(db_, "INSERT INTO event(body, hash) VALUES(?, ?)", -1, &insert_, nullptr) ==
                 SQLITE_OK,
             "prepare the insert");
    }
    void add(const std::string& body, const Hash& hash) {
        sqlite3_bind_text(insert_, 1, body.data(), static_cast<int>(body.size()), SQLITE_STATIC);
        sqlite3_bind_blob(insert_, 2, hash.data(), static_cast<int>(hash.size()), SQLITE_STATIC);
        need(sqlite3_step(insert_) == SQLITE_DONE, "commit");
        sqlite3_reset(insert_);
    }

  private:
    void run(const char* sql) { need(sqlite3_exec(db_, sql, nullptr, nullptr, nullptr) == SQLITE_OK, sql); }
    sqlite3* db_ = nullptr;
    sqlite3_stmt* insert_ = nullptr;
};

int accept_tool(int port) {
    const int listener = socket(AF_INET, SOCK_STREAM, 0);
    const int on = 1;
    setsockopt(listener, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    need(bind(listener, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0, "bind");
    need(listen(listener, 1) == 0, "listen");
    const int tool = accept(listener, nullptr, nullptr);
    need(tool >= 0 && setsockopt(tool, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) == 0, "accept");
    return tool;
}

// Program "A" is the one whose results decide; all others are only kept.
void serve(Rows& rows, std::size_t row_size, int tool, modbus_t* controller) {
    Hash hash{};
    tautgate::protocol::PermissiveBlock block{.address = {1, 1, 1}, .token = 1};
    std::string pending;
    std::array<char, 4096> bytes{};
    for (ssize_t count = 0; (count = recv(tool, bytes.data(), bytes.size(), 0)) > 0;) {
        pending.append(bytes.data(), static_cast<std::size_t>(count));
        for (std::size_t end = 0; (end = pending.find('\n')) != std::string::npos;
             pending.erase(0, end + 1)) {
            const std::string line = pending.substr(0, end);
            const auto message = nlohmann::json::parse(line);
            if (!message.contains("result"))
                continue;
            const auto& result = message["result"];
            std::string body = line;
            body.resize(std::max(row_size, line.size()), ' ');
            const std::string chained = std::string(hash.begin(), hash.end()) + body;
            SHA256(reinterpret_cast<const unsigned char*>(chained.data()), chained.size(), hash.data());
            rows.add(body, hash);
            if (result["program"] == "A") {
                const bool tight = result["direction"] == "tighten";
                block.code = tight ? tautgate::protocol::Code::released : tautgate::protocol::Code::withheld;
                ++block.beat;
                const auto words = encode(block);
                need(modbus_write_registers(controller, 0, words.size(), words.data()) == words.size(),
                     "write");
            }
            const std::string answer =
                R"({"acknowledge":{"counter":")" + result["counter"].get<std::string>() + "\"}}\n";
            need(send(tool, answer.data(), answer.size(), 0) == static_cast<ssize_t>(answer.size()),
                 "acknowledge");
        }
    }
}

void insert_for(const char* file, std::chrono::milliseconds time, const std::string& line) {
    Rows rows(file);
    const auto begin = std::chrono::steady_clock::now();
    unsigned long count = 0;
    for (; std::chrono::steady_clock::now() - begin < time; ++count)
        rows.add(line, Hash{});
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - begin;
    std::cout << static_cast<double>(count) / took.count() << '\n';
}

}  // namespace

int main(int argc, char** argv) {
    if (argc == 5 && std::string(argv[1]) == "--insert") {
        insert_for(argv[2], std::chrono::milliseconds(std::atoi(argv[3])), argv[4]);
        return EXIT_SUCCESS;
    }
    if (argc != 5) {
        std::cerr << "usage: tautgate-bench-floor DATABASE TOOL_PORT CONTROLLER_PORT ROW\n"
                     "       tautgate-bench-floor --insert DATABASE MILLISECONDS LINE\n";
        return 2;
    }
    Rows rows(argv[1]);
    modbus_t* controller = modbus_new_tcp("127.0.0.1", std::atoi(argv[3]));
    need(modbus_connect(controller) == 0, "connect to the controller");
    serve(rows, static_cast<std::size_t>(std::atol(argv[4])), accept_tool(std::atoi(argv[2])), controller);
    return EXIT_SUCCESS;
}
