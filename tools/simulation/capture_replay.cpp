#include "tools/simulation/capture_replay.hpp"

#include <utility>

namespace tautgate::simulation {

namespace {

constexpr char highest_reading_function = 4;
constexpr std::size_t envelope_of_tcp = 6;
constexpr std::uint8_t refused_bit = 0x80;
constexpr char no_such_registers = 2;  // exception code 02 of V1.1b3, section 7

}  // namespace

CaptureReplay::CaptureReplay(const protocol::Capture& capture, protocol::ModbusWire wire) : wire_(wire) {
    for (const protocol::Exchange& exchange : protocol::exchanges_in(capture))
        if (const auto asked = protocol::asked_in(wire, exchange.request)) {
            answers_[std::string(*asked)].answers.push_back(exchange.answer);
            ++left_;
        }
}

std::expected<std::unique_ptr<CaptureReplay>, std::string>
CaptureReplay::open(const protocol::Capture& capture, const std::string& host, std::uint16_t port) {
    const bool speaks_by_itself = capture.head.wire == protocol::CaptureWire::lines ||
                                  capture.head.wire == protocol::CaptureWire::frames;
    if (speaks_by_itself)
        return std::unexpected(
            "the capture is of a tool that speaks by itself, not of one that is asked; play a "
            "capture of registers");
    const bool serial = capture.head.wire == protocol::CaptureWire::modbus_serial;
    const auto wire = serial ? protocol::ModbusWire::serial : protocol::ModbusWire::tcp;
    std::unique_ptr<CaptureReplay> replay(new CaptureReplay(capture, wire));
    if (replay->answers_.empty())
        return std::unexpected("the capture holds no request, and so no answer to give; record anew");
    const auto unit = static_cast<std::uint8_t>(replay->answers_.begin()->first.front());
    RegisterServer::Hooks hooks{.before_answer = {},
                                .after_answer = {},
                                .answer_instead = [asked = replay.get()](std::string_view request) {
                                    return asked->answer(request);
                                }};
    auto server = serial ? RegisterServer::open_serial(unit, std::move(hooks))
                         : RegisterServer::open(host, port, std::move(hooks));
    if (!server)
        return std::unexpected(std::move(server.error()));
    replay->server_ = std::move(*server);
    return replay;
}

std::string CaptureReplay::answer(std::string_view request) {
    const auto asked = protocol::asked_in(wire_, request);
    if (!asked)
        return {};
    const auto found = answers_.find(*asked);
    if (found == answers_.end())
        return made_up(request, *asked);
    Recorded& recorded = found->second;
    std::string answer = recorded.answers.front();
    if (!recorded.last_given)
        --left_;
    if (recorded.answers.size() > 1)
        recorded.answers.pop_front();
    else
        recorded.last_given = true;
    if (wire_ == protocol::ModbusWire::tcp && answer.size() > envelope_of_tcp)
        answer = protocol::with_transaction_of(request, std::move(answer));
    return answer;
}

std::string CaptureReplay::made_up(std::string_view request, std::string_view asked) {
    std::string body(asked.substr(0, 2));
    if (asked[1] > highest_reading_function) {
        body += asked.substr(2, 4);  // a write is confirmed by its address and count or value
    } else {
        ++unknown_;
        body[1] = static_cast<char>(static_cast<std::uint8_t>(body[1]) | refused_bit);
        body += no_such_registers;
    }
    if (wire_ == protocol::ModbusWire::serial) {
        const std::uint16_t crc = protocol::serial_crc(body);
        body += static_cast<char>(crc & 0xFFU);
        body += static_cast<char>(crc >> 8U);
        return body;
    }
    std::string frame(request.substr(0, 4));
    frame += '\0';
    frame += static_cast<char>(body.size());
    return frame + body;
}

}  // namespace tautgate::simulation
