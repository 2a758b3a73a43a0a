#include <catch2/catch.hpp>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <optional>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate::end_to_end;

TEST_CASE("reasons about the unit's order hold, are explained and clear") {
    each_held_and_explained(order_cases(), taking_orders());
}

namespace {

namespace fs = std::filesystem;

std::optional<std::string> text_of(const fs::path& file) {
    std::ifstream in(file, std::ios::binary);
    return in ? std::optional(std::string(std::istreambuf_iterator<char>(in), {})) : std::nullopt;
}

void put(const fs::path& folder, const std::string& name, const std::string& text) {
    std::ofstream(folder / ("." + name)) << text;
    fs::rename(folder / ("." + name), folder / name);
}

}  // namespace

TEST_CASE("an order file is answered, builds a unit, and a bad one is rejected with its line") {
    Plant plant{taking_orders()};
    const fs::path folder = plant.state_folder() / "orders";
    fs::create_directories(folder);
    plant.open_for_work();
    Stand stand{plant};
    const auto papers = plant.shift().next_papers("MB1");
    put(folder, "monday.csv",
        "action,order,variant,serial_F\r\nadd," + papers.order + ",MB1," + papers.frame + "\r\n");
    const fs::path accepted = folder / "answers/000001.monday.accepted.csv";
    REQUIRE(stand.await([&] { return fs::exists(accepted); }));
    CHECK(text_of(accepted)->find("order " + papers.order + " is added") != std::string::npos);

    put(folder, "tuesday.csv", "action,order,variant\r\nadd,LT26-9001,MB1\r\nadd,LT26-9002,MB9\r\n");
    const fs::path rejected = folder / "answers/000002.tuesday.rejected.csv";
    REQUIRE(stand.await([&] { return fs::exists(rejected); }));
    CHECK(text_of(rejected)->find("\r\n3,\"order LT26-9002 is for variant MB9") != std::string::npos);

    stand.arrives(papers);
    stand.scans(papers.motor_label());
    stand.scans(papers.frame_label());
    REQUIRE(plant.shift().tighten("motor-mounts"));
    CHECK(stand.await_released("lift-beam"));

    // What is on record stays so.
    plant.kill();
    stand.starts_again();
    const auto orders = plant.crew().api().get("/v1/orders");
    REQUIRE(orders.has_value());
    REQUIRE(orders->body.at("orders").size() == 1);
    CHECK(orders->body.at("orders").front().at("order") == papers.order);
}
