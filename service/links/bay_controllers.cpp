#include "service/links/bay_controllers.hpp"

#include <algorithm>
#include <chrono>
#include <iterator>
#include <utility>
#include <variant>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>

#include "config/shortest_exchange.hpp"

namespace tautgate::links {

using std::chrono::steady_clock;

namespace {

[[nodiscard]] std::vector<ControllerSet::Member>
members_of(const config::Bay& bay, const std::vector<config::BayController>& controllers) {
    std::vector<ControllerSet::Member> members;
    members.reserve(controllers.size());
    for (const auto& controller : controllers)
        members.push_back({.name = config::name_of(controller)});
    for (std::size_t i = 0; i < bay.further_controllers.size(); ++i)
        members[i + 1].presence_within = bay.further_controllers[i].presence_within;
    return members;
}

[[nodiscard]] bool tries_wiring(const PermissiveOrder& order) {
    return order.code != protocol::Code::withheld &&
           protocol::token_kind(order.token) == protocol::TokenKind::challenge;
}

}  // namespace

BayControllers::BayControllers(boost::asio::io_context& loop, const config::Station& station,
                               const config::Bay& bay, ControllerLink::Sink sink,
                               std::shared_ptr<DurableMark> durable, ControllerPace pace,
                               const std::optional<KnownOfBay>& known)
    : sink_(std::move(sink)), loop_(loop) {
    const auto controllers = config::controllers_of(station, bay);
    if (controllers.size() == 1) {
        lines_.push_back({.id = {},
                          .numbers = {},
                          .silence = controllers.front().link->echo_timeout,
                          .link = std::make_unique<ControllerLink>(loop, station, bay, sink_,
                                                                   std::move(durable), pace, known)});
        return;
    }
    set_.emplace(domain::BayId{bay.id}, members_of(bay, controllers));
    for (const auto& controller : controllers)
        add(controller, config::alone(station, bay, controller), durable, pace);
}

BayControllers::~BayControllers() { stop(); }

void BayControllers::add(const config::BayController& controller, const config::Station& described,
                         const std::shared_ptr<DurableMark>& durable, ControllerPace pace) {
    const std::size_t place = lines_.size();
    Line line{.id = controller.id, .numbers = {}, .silence = controller.link->echo_timeout, .link = nullptr};
    for (const config::Permissive* permissive : controller.permissives)
        line.numbers.push_back(permissive->number);
    line.link = std::make_unique<ControllerLink>(
        loop_, described, described.bays.front(),
        [this, place](interlock::Payload payload) { taken(place, std::move(payload)); }, durable, pace);
    line.link->on_echo(
        [this, place](SteadyTime as_of) { tell(set_->alive(place, as_of, steady_clock::now())); });
    lines_.push_back(std::move(line));
}

void BayControllers::start() {
    for (const Line& line : lines_)
        line.link->start();
}

void BayControllers::publish(std::vector<PermissiveOrder> orders, std::uint16_t beat) {
    if (!set_)
        return lines_.front().link->publish(std::move(orders), beat);
    std::vector<bool> tried;
    for (const Line& line : lines_) {
        std::vector<PermissiveOrder> own;
        std::ranges::copy_if(orders, std::back_inserter(own), [&](const PermissiveOrder& order) {
            return std::ranges::find(line.numbers, order.permissive) != line.numbers.end();
        });
        tried.push_back(std::ranges::any_of(own, tries_wiring));
        line.link->publish(std::move(own), beat);
    }
    set_->tries_wiring(tried);
    // Whoever publishes is in the midst of a decision.
    boost::asio::post(loop_, [this, open = open_] {
        if (*open)
            tell(set_->look(steady_clock::now()));
    });
}

void BayControllers::sensed(const config::IoInput& input, std::optional<bool> level) {
    lines_.front().link->sensed(input,
                                level);  // read by equipment in coils only, which is always the main one
}

std::vector<domain::PermissiveId> BayControllers::released_on_wire() const {
    std::vector<domain::PermissiveId> released;
    for (const Line& line : lines_)
        std::ranges::move(line.link->released_on_wire(), std::back_inserter(released));
    return released;
}

std::vector<SourceHealth> BayControllers::health() const {
    std::vector<SourceHealth> all;
    all.reserve(lines_.size());
    for (const Line& line : lines_) {
        all.push_back(line.link->health());
        if (!line.id.empty())
            all.back().name = line.id;
    }
    return all;
}

SightGate::Sight BayControllers::sight() const {
    SightGate::Sight sight;
    for (const Line& line : lines_) {
        const auto age = line.link->health().age.value_or(std::chrono::milliseconds(0));
        sight.age = std::max(sight.age, age);
        sight.too_old = sight.too_old || age > std::min(line.silence, config::shortest_exchange);
    }
    return sight;
}

void BayControllers::lose_sight() {
    for (const Line& line : lines_)
        line.link->lose_sight();
}

void BayControllers::stop() {
    *open_ = false;
    for (const Line& line : lines_)
        line.link->stop();
}

std::uint16_t BayControllers::listening_port(std::size_t place) const {
    return lines_.at(place).link->listening_port();
}

void BayControllers::taken(std::size_t place, interlock::Payload payload) {
    const auto now = steady_clock::now();
    if (auto* reported = std::get_if<interlock::ControllerReported>(&payload))
        tell(set_->take(place, std::move(*reported), released_on_wire(), now));
    else if (const auto* changed = std::get_if<interlock::ControllerLinkChanged>(&payload))
        tell(set_->take(place, *changed, now));
    else
        sink_(std::move(payload));
}

void BayControllers::tell(ControllerSet::Told told) {
    for (interlock::Payload& payload : told)
        sink_(std::move(payload));
}

}  // namespace tautgate::links
