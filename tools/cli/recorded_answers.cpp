#include "tools/cli/recorded_answers.hpp"

#include <algorithm>
#include <optional>

#include <boost/describe/enum_to_string.hpp>
#include <fmt/format.h>
#include <fmt/ranges.h>

namespace tautgate::cli {

using protocol::BlockRange;
using protocol::Exchange;

namespace {

// As far as one profile's question is another one's: the tool answered to neither more nor less.
bool overlap(const BlockRange& one, const BlockRange& other) {
    return one.table == other.table && one.start < other.start + other.length &&
           other.start < one.start + one.length;
}

std::string range_words(const BlockRange& range) {
    const std::string table = boost::describe::enum_to_string(range.table, "");
    if (range.length == 1)
        return fmt::format("{} {}", table, range.start);
    return fmt::format("{} {}-{}", table, range.start, range.start + range.length - 1);
}

}  // namespace

RecordedAnswers::RecordedAnswers(const protocol::Capture& capture, protocol::ModbusWire wire)
    : exchanges_(protocol::exchanges_in(capture)), wire_(wire) {
    // The answer may have been in what was cut off; it is not known that none came.
    if (capture.cut && !exchanges_.empty() && exchanges_.back().answer.empty())
        exchanges_.pop_back();
    skip_writes();
}

void RecordedAnswers::begin_look() {
    if (by_place_)
        take_round();
}

std::expected<std::string, Unanswered> RecordedAnswers::answer(const std::string& request) {
    if (by_place_)
        return answer_by_place(request);
    if (over())
        return std::unexpected(Unanswered{"the capture ends within a look; what is before it was shown"});
    const Exchange& exchange = exchanges_[next_];
    const auto asked = protocol::asked_in(wire_, exchange.request);
    if (!asked || *asked != protocol::asked_in(wire_, request)) {
        for (std::size_t each = 0; each < next_; ++each)
            take(exchanges_[each]);
        by_place_ = true;
        take_round();
        return answer_by_place(request);
    }
    std::string answer = exchange.answer;
    if (wire_ == protocol::ModbusWire::tcp && answer.size() > 2 &&
        answer.substr(0, 2) == exchange.request.substr(0, 2))
        answer = protocol::with_transaction_of(request, std::move(answer));
    ++next_;
    skip_writes();
    return answer;
}

std::expected<std::string, Unanswered> RecordedAnswers::answer_by_place(const std::string& request) {
    const auto asked = protocol::read_in(wire_, request);
    if (!asked)
        return std::unexpected(Unanswered{"a capture is only read"});
    std::vector<std::uint16_t> words;
    for (std::uint32_t address = asked->start; address < std::uint32_t{asked->start} + asked->length;
         ++address)
        if (const auto found = registers_.find({asked->table, address}); found != registers_.end())
            words.push_back(found->second);
    if (words.size() == asked->length)
        return protocol::read_answer(wire_, request, words);
    for (const Exchange& exchange : refused_)
        if (const auto range = protocol::read_in(wire_, exchange.request); range && overlap(*range, *asked))
            return wire_ == protocol::ModbusWire::tcp && exchange.answer.size() > 2
                       ? protocol::with_transaction_of(request, exchange.answer)
                       : exchange.answer;
    return std::unexpected(Unanswered{
        fmt::format("{} was not recorded; recorded were {}: put table and addresses right, or record "
                    "again with this description",
                    range_words(*asked), held()),
        true});
}

void RecordedAnswers::take_round() {
    const auto begins = protocol::asked_in(wire_, exchanges_.front().request);
    refused_.clear();
    do {
        take(exchanges_[next_++]);
        skip_writes();
    } while (!over() && protocol::asked_in(wire_, exchanges_[next_].request) != begins);
}

void RecordedAnswers::take(const Exchange& exchange) {
    const auto range = protocol::read_in(wire_, exchange.request);
    if (!range)
        return;
    const auto words = protocol::answer_to(wire_, exchange.request, exchange.answer);
    if (!words)
        refused_.push_back(exchange);
    for (std::uint16_t i = 0; i < range->length; ++i) {
        const Place place{range->table, std::uint32_t{range->start} + i};
        if (words)
            registers_.insert_or_assign(place, (*words)[i]);
        else
            registers_.erase(place);
    }
}

void RecordedAnswers::skip_writes() {
    while (!over() && protocol::asked_in(wire_, exchanges_[next_].request) &&
           !protocol::read_in(wire_, exchanges_[next_].request))
        ++next_;
}

std::string RecordedAnswers::held() const {
    std::vector<BlockRange> ranges;
    for (const auto& [place, word] : registers_) {
        const auto& [table, address] = place;
        if (!ranges.empty() && ranges.back().table == table &&
            ranges.back().start + ranges.back().length == address)
            ++ranges.back().length;
        else
            ranges.push_back({table, static_cast<std::uint16_t>(address), 1});
    }
    if (ranges.empty())
        return "no register";
    std::vector<std::string> words;
    std::ranges::transform(ranges, std::back_inserter(words), range_words);
    return fmt::format("{}", fmt::join(words, ", "));
}

}  // namespace tautgate::cli
