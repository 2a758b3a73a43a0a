#include "service/station/order_feed.hpp"

#include <utility>

#include <fmt/format.h>
#include <spdlog/spdlog.h>

#include "service/interlock/order_reply.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::station {
namespace {

constexpr std::chrono::seconds between_offers{5};

links::OrderFolder folder_of(const config::Station& rules, const std::filesystem::path& base,
                             const interlock::State& state) {
    config::OrderFeed feed = *rules.orders;
    feed.folder = (base / feed.folder).string();
    return {feed, links::order_format_of(rules, feed), state.order_file ? state.order_file->number : 0};
}

interlock::InputRefused as_refused(const links::OrdersMisread& misread) {
    const protocol::RowFault& first = misread.faults.front();
    return {.source = "orders",
            .raw = misread.file.name,
            .why =
                fmt::format("{} (SHA-256 {}) is no order file; mistakes: {}, the first in line {}: {}",
                            misread.file.name, misread.file.sha256.empty() ? "unknown" : misread.file.sha256,
                            misread.faults.size(), first.line, first.what),
            .count = 1};
}

}  // namespace

OrderFeed::OrderFeed(boost::asio::io_context& loop, const config::Station& rules,
                     const std::filesystem::path& base, std::shared_ptr<links::OrderTurns> turns,
                     Callbacks callbacks)
    : callbacks_(std::move(callbacks)), again_(loop),
      watch_(std::make_shared<links::OrderWatch>(
          loop, folder_of(rules, base, callbacks_.state()),
          [this](const links::OrderNotice& notice) { heard(notice); }, std::move(turns))) {}

void OrderFeed::start() { watch_->start(); }
void OrderFeed::stop() {
    again_.cancel();
    watch_->stop();
}

void OrderFeed::heard(const links::OrderNotice& notice) {
    std::visit(
        interlock::Overloaded{
            [this](const links::OrdersOffered& orders) { offered(orders); },
            [this](const links::OrdersMisread& misread) {
                spdlog::warn("order file {} is rejected: mistakes {}", misread.file.name,
                             misread.faults.size());
                callbacks_.misread(as_refused(misread));
            },
            [this](const links::OrderFolderTroubles& troubles) { callbacks_.troubles(troubles.sentences); },
            [](const links::OrderFolderRemark& remark) { spdlog::warn("{}", remark.sentence); }},
        notice);
}

void OrderFeed::offered(const links::OrdersOffered& offered) {
    interlock::OrdersReceived received{.source = interlock::OrderSource::folder,
                                       .number = offered.number,
                                       .name = offered.file.name,
                                       .sha256 = offered.file.sha256,
                                       .by = std::nullopt,
                                       .orders = offered.orders,
                                       .closed = {}};
    callbacks_.decide(std::move(received), [this, to = std::weak_ptr(watch_), offered](
                                               const std::expected<web::Recorded, web::NotRecorded>& done) {
        const auto watch = to.lock();
        if (!watch)
            return;  // and so is the feed
        if (!done)
            return offer_again(offered);
        auto reply = interlock::order_reply(done->outcome, offered.orders, callbacks_.state());
        spdlog::info("event={} order file {} is {}", done->event.value, offered.file.name,
                     protocol::outcome_of(reply));
        watch->answer(offered.number, std::move(reply));
    });
}

// The journal could not be asked; nothing was decided, or it is known by its number that it was.
void OrderFeed::offer_again(links::OrdersOffered offered) {
    again_.expires_after(between_offers);
    again_.async_wait([this, orders = std::move(offered)](const boost::system::error_code& cancelled) {
        if (!cancelled)
            this->offered(orders);
    });
}

}  // namespace tautgate::station
