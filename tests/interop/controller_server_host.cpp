// A controller line in the server role on a port of its own, for masters that were written by others. Prints
// the port, then every event of the line, one a line, until its input ends.
#include <atomic>
#include <cstdio>
#include <iostream>
#include <string>
#include <thread>

#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <fmt/format.h>

#include "service/links/controller_link.hpp"

using namespace tautgate;

namespace {

config::Station one_permissive() {
    config::Station station;
    station.number = 7;
    config::Bay bay;
    bay.id = "J1";
    bay.number = 2;
    bay.controller.role = config::WireRole::server;
    bay.controller.host = "127.0.0.1";
    bay.controller.port = 0;
    bay.controller.permissive_address = 0;
    bay.controller.feedback_address = 100;
    station.bays.push_back(bay);
    config::Permissive permissive;
    permissive.id = "lift-beam";
    permissive.number = 1;
    permissive.bay = "J1";
    station.permissives.push_back(permissive);
    return station;
}

void tell(const interlock::Payload& payload) {
    if (const auto* report = std::get_if<interlock::ControllerReported>(&payload))
        fmt::print("reported arrivals={} departures={} starts={} moved={} echoed={:#x}\n", report->arrivals,
                   report->departures, report->starts, report->moved.front().count, report->echoed.value);
    std::fflush(stdout);
}

// The loop's beat.
void beat(boost::asio::steady_timer& timer, links::ControllerLink& link, std::uint16_t count) {
    link.publish({{.permissive = 1, .code = protocol::Code::withheld, .token = 0x12345678, .reason = 5}},
                 count);
    timer.expires_after(std::chrono::milliseconds(50));
    timer.async_wait([&timer, &link, count](const boost::system::error_code& cancelled) {
        if (!cancelled)
            beat(timer, link, static_cast<std::uint16_t>(count + 1));
    });
}

void say_port(boost::asio::steady_timer& timer, const links::ControllerLink& link) {
    if (const auto port = link.listening_port(); port != 0) {
        fmt::print("port {}\n", port);
        std::fflush(stdout);
        return;
    }
    timer.expires_after(std::chrono::milliseconds(5));
    timer.async_wait([&timer, &link](const boost::system::error_code& cancelled) {
        if (!cancelled)
            say_port(timer, link);
    });
}

}  // namespace

int main() {
    boost::asio::io_context loop;
    const auto station = one_permissive();
    links::ControllerLink link{loop, station, station.bays.front(), tell,
                               std::make_shared<links::DurableMark>()};
    boost::asio::steady_timer beats{loop};
    boost::asio::steady_timer port{loop};
    link.start();
    beat(beats, link, 1);
    say_port(port, link);
    std::thread input{[&loop] {
        for (std::string line; std::getline(std::cin, line);) {
        }
        loop.stop();
    }};
    loop.run();
    input.join();
    link.stop();
    return 0;
}
