#include "tools/simulation/register_tool.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdlib>
#include <iterator>
#include <optional>
#include <string_view>
#include <utility>

#include "protocol/register_decode.hpp"
#include "protocol/utc.hpp"

namespace tautgate::simulation {

using protocol::FieldType;
using protocol::RegisterField;
using protocol::WordOrder;

namespace {

double as_double(const protocol::Decimal& value) {
    return static_cast<double>(value.mantissa) * std::pow(10.0, value.exponent);
}

// A whole number as the field's type has it, at the place of its bits.
std::uint64_t bits_of(const RegisterField& field, std::uint64_t value) {
    if (protocol::is_bcd(field.type))
        return protocol::to_bcd(value);
    if (!field.bits)
        return value;
    const auto& [first, count] = *field.bits;
    return (count >= 64 ? value : value & ((1ULL << count) - 1)) << first;
}

std::uint64_t bits_of(const RegisterField& field, double value) {
    const double raw = (value - as_double(field.offset)) / as_double(field.scale);
    switch (field.type) {
    case FieldType::float32: return std::bit_cast<std::uint32_t>(static_cast<float>(raw));
    case FieldType::float64: return std::bit_cast<std::uint64_t>(raw);
    case FieldType::int16: return static_cast<std::uint16_t>(static_cast<std::int16_t>(std::llround(raw)));
    case FieldType::int32: return static_cast<std::uint32_t>(static_cast<std::int32_t>(std::llround(raw)));
    case FieldType::int64: return static_cast<std::uint64_t>(std::llround(raw));
    case FieldType::uint16:
    case FieldType::uint32:
    case FieldType::uint64:
    case FieldType::bcd16:
    case FieldType::bcd32:
    case FieldType::bit: return bits_of(field, static_cast<std::uint64_t>(std::llround(raw)));
    }
    return 0;
}

// High word and high byte first, then swapped as the order asks.
void put_bits(std::span<std::uint16_t> words, const RegisterField& field, std::uint64_t bits) {
    const std::size_t count = protocol::width(field.type);
    const WordOrder order = field.order.value_or(WordOrder::abcd);
    const bool low_word_first = order == WordOrder::cdab || order == WordOrder::dcba;
    const bool bytes_swapped = order == WordOrder::badc || order == WordOrder::dcba;
    for (std::size_t i = 0; i < count; ++i) {
        const std::size_t from_low = low_word_first ? i : count - 1 - i;
        auto word = static_cast<std::uint16_t>(bits >> (16 * from_low));
        if (bytes_swapped)
            word = static_cast<std::uint16_t>(word << 8U | word >> 8U);
        words[i] = field.bits ? static_cast<std::uint16_t>(words[i] | word) : word;
    }
}

class Layout {
  public:
    explicit Layout(const protocol::RegisterProfile& profile)
        : profile_(profile), blocks_(protocol::result_blocks(profile)), words_(protocol::words_in(blocks_)) {}

    void put(const RegisterField& field, double value) { put_number(field, bits_of(field, value), true); }
    void put_number(const RegisterField& field, std::uint64_t value) { put_number(field, value, false); }
    void put_if(const std::optional<RegisterField>& field,
                const std::optional<protocol::WrittenValue>& value) {
        if (field && value)
            put(*field, std::strtod(value->value.c_str(), nullptr));
    }
    // Two characters to a register, the rest of the field filled with NUL.
    void put_text(const protocol::TextField& field, std::string_view text) {
        const auto at = protocol::offset_in(blocks_, {profile_.table, field.address, field.registers});
        if (!at)
            return;
        for (std::size_t i = 0; i < field.registers; ++i) {
            const auto byte = [&](std::size_t place) {
                return static_cast<std::uint16_t>(
                    place < text.size() ? static_cast<unsigned char>(text[place]) : 0);
            };
            const std::uint16_t first = byte(2 * i);
            const std::uint16_t second = byte(2 * i + 1);
            words_[*at + i] = field.order == WordOrder::badc
                                  ? static_cast<std::uint16_t>(second << 8U | first)
                                  : static_cast<std::uint16_t>(first << 8U | second);
        }
    }
    [[nodiscard]] std::vector<std::uint16_t> take() { return std::move(words_); }

  private:
    // What is outside of a result, as the epoch beside a ring, is not laid out with it.
    void put_number(const RegisterField& field, std::uint64_t value, bool are_bits) {
        if (const auto at = protocol::offset_in(blocks_, protocol::place_of(profile_, field)))
            put_bits(std::span(words_).subspan(*at), field, are_bits ? value : bits_of(field, value));
    }
    const protocol::RegisterProfile& profile_;
    std::vector<protocol::BlockRange> blocks_;
    std::vector<std::uint16_t> words_;
};

std::int64_t program_code(const protocol::ProgramField& field, const std::string& name) {
    const auto known = std::ranges::find(field.names, name, &protocol::CodeText::text);
    return known == field.names.end() ? 0 : known->code;
}

// Torque and angle have codes of their own where the profile knows words for them.
std::int64_t verdict_code(const protocol::VerdictField& field, const protocol::WrittenResult& result) {
    if (result.aborted && !field.aborted.empty())
        return field.aborted.front();
    if (result.verdict == protocol::ToolVerdict::ok && !field.ok.empty())
        return field.ok.front();
    const std::string_view about = result.reason.starts_with("torque")    ? "torque"
                                   : result.reason.starts_with("angle")   ? "angle"
                                   : result.reason.starts_with("trigger") ? "trigger"
                                                                          : "";
    for (const auto& [code, text] : field.reasons)
        if (!about.empty() && text.starts_with(about) &&
            std::ranges::find(field.not_ok, code) != field.not_ok.end())
            return code;
    return field.not_ok.empty() ? 0 : field.not_ok.front();
}

std::int64_t direction_code(const protocol::DirectionField& field, protocol::Direction direction) {
    const auto& codes = direction == protocol::Direction::tighten ? field.tighten : field.loosen;
    return codes.empty() ? 0 : codes.front();
}

void put_stamp(Layout& layout, const protocol::StampField& stamp, const std::string& text) {
    const auto utc = protocol::parse_utc(text);
    if (!utc)
        return;
    const std::int64_t local = utc->micros + std::int64_t{stamp.utc_offset_minutes} * 60'000'000;
    switch (stamp.kind) {
    case protocol::StampKind::unix_seconds:
        return layout.put_number(stamp.field, static_cast<std::uint64_t>(local / 1'000'000));
    case protocol::StampKind::unix_milliseconds:
        return layout.put_number(stamp.field, static_cast<std::uint64_t>(local / 1000));
    case protocol::StampKind::calendar: break;
    }
    const std::string parts = protocol::utc_text(local);  // 2026-11-25T06:14:03.120000Z
    constexpr std::array<std::pair<std::size_t, std::size_t>, 6> places{
        {{0, 4}, {5, 2}, {8, 2}, {11, 2}, {14, 2}, {17, 2}}};
    RegisterField field = stamp.field;
    for (const auto& [begin, length] : places) {
        layout.put_number(field, std::strtoul(parts.substr(begin, length).c_str(), nullptr, 10));
        ++field.address;
    }
}

}  // namespace

std::vector<std::uint16_t> lay_out(const protocol::RegisterProfile& profile,
                                   const protocol::WrittenResult& result, std::uint64_t epoch) {
    Layout layout{profile};
    if (profile.counter)
        layout.put_number(profile.counter->field, protocol::raw_count(*profile.counter, result.counter));
    if (profile.toggle)
        layout.put_number(*profile.toggle, result.counter & 1U);
    if (profile.handshake)
        layout.put_number(profile.handshake->ready, result.counter == 0 ? 0 : 1);
    if (profile.epoch)
        layout.put_number(*profile.epoch, epoch);
    if (profile.program)
        layout.put_number(profile.program->field,
                          static_cast<std::uint64_t>(program_code(*profile.program, result.program)));
    if (profile.program_text)
        layout.put_text(*profile.program_text, result.program);
    if (profile.direction)
        layout.put_number(profile.direction->field,
                          static_cast<std::uint64_t>(direction_code(*profile.direction, result.direction)));
    if (profile.verdict)
        layout.put_number(profile.verdict->field,
                          static_cast<std::uint64_t>(verdict_code(*profile.verdict, result)));
    if (profile.torque)
        layout.put_if(profile.torque->field, result.torque);
    layout.put_if(profile.angle, result.angle);
    layout.put_if(profile.limits.torque_min, result.torque_min);
    layout.put_if(profile.limits.torque_max, result.torque_max);
    layout.put_if(profile.limits.angle_min, result.angle_min);
    layout.put_if(profile.limits.angle_max, result.angle_max);
    if (profile.position)
        layout.put_number(*profile.position, result.position.value_or(0));
    if (profile.stamp)
        put_stamp(layout, *profile.stamp, result.stamp);
    return layout.take();
}

std::expected<std::unique_ptr<RegisterTool>, std::string>
RegisterTool::open(const std::string& host, std::uint16_t port, protocol::RegisterProfile profile) {
    return begin(
        std::unique_ptr<RegisterTool>(new RegisterTool(std::move(profile))),
        [&](RegisterServer::Hooks hooks) { return RegisterServer::open(host, port, std::move(hooks)); });
}

std::expected<std::unique_ptr<RegisterTool>, std::string>
RegisterTool::open_serial(std::uint8_t unit, protocol::RegisterProfile profile) {
    return begin(
        std::unique_ptr<RegisterTool>(new RegisterTool(std::move(profile))),
        [&](RegisterServer::Hooks hooks) { return RegisterServer::open_serial(unit, std::move(hooks)); });
}

std::expected<std::unique_ptr<RegisterTool>, std::string> RegisterTool::begin(
    std::unique_ptr<RegisterTool> tool,
    const std::function<std::expected<std::unique_ptr<RegisterServer>, std::string>(RegisterServer::Hooks)>&
        serve) {
    if (const auto faults = protocol::check(tool->profile_); !faults.empty())
        return std::unexpected("the register profile is faulty at " + faults.front().place + ": " +
                               faults.front().finding);
    auto* self = tool.get();
    auto server = serve(
        {.before_answer = [self](const auto& request, auto registers) { self->on_read(request, registers); },
         .after_answer = [self](const auto& request, auto registers) { self->after(request, registers); }});
    if (!server)
        return std::unexpected(server.error());
    tool->server_ = std::move(*server);
    tool->server_->change([self](std::span<std::uint16_t> registers) {
        const std::lock_guard lock{self->mutex_};
        self->show({}, registers);
    });
    return tool;
}

RegisterTool::RegisterTool(protocol::RegisterProfile profile)
    : profile_(std::move(profile)), blocks_(protocol::result_blocks(profile_)) {}

std::uint64_t RegisterTool::report(protocol::WrittenResult result,
                                   const std::optional<protocol::Trace>& trace) {
    std::uint64_t counter = 0;
    server_->change([&](std::span<std::uint16_t> registers) {
        const std::lock_guard lock{mutex_};
        counter = result.counter = ++status_.newest;
        kept_.push_back(std::move(result));
        if (trace)
            show_trace(counter, *trace, registers);
        show_next(registers);
    });
    return counter;
}

// With an acknowledge register or a handshake the next result waits until the one shown was acknowledged.
void RegisterTool::show_next(std::span<std::uint16_t> registers) {
    if (held_back_)
        return;
    if (profile_.ring || !protocol::waits_for_the_station(profile_)) {
        const std::size_t from = profile_.ring || kept_.empty() ? 0 : kept_.size() - 1;
        for (std::size_t i = from; i < kept_.size(); ++i)
            show(kept_[i], registers);
        kept_.clear();
    } else if (!kept_.empty() && status_.shown != kept_.front().counter && !clear_awaited_) {
        show(kept_.front(), registers);
    }
    status_.kept = kept_.size();
}

// Into the slot of that counter, or where there are none the one place.
void RegisterTool::put(std::span<const std::uint16_t> words, std::uint64_t slot,
                       std::span<std::uint16_t> registers) {
    for (protocol::BlockRange block : blocks_) {
        if (profile_.ring)
            block.start = protocol::slot_of(profile_, slot).start;
        const auto part = words.first(block.length);
        words = words.subspan(block.length);
        if (protocol::is_bit_table(block.table))
            std::ranges::copy(part, server_->bits().subspan(block.start).begin());
        else
            std::ranges::copy(part, registers.subspan(block.start).begin());
    }
}

std::vector<std::uint16_t> RegisterTool::standing(std::span<std::uint16_t> registers) const {
    std::vector<std::uint16_t> words;
    for (const protocol::BlockRange& block : blocks_) {
        if (protocol::is_bit_table(block.table))
            std::ranges::copy(server_->bits().subspan(block.start, block.length), std::back_inserter(words));
        else
            std::ranges::copy(registers.subspan(block.start, block.length), std::back_inserter(words));
    }
    return words;
}

// Beside a ring: how far it is, and since which start.
void RegisterTool::put_newest(std::uint64_t counter, std::span<std::uint16_t> registers) {
    const RegisterField& newest = profile_.ring->newest;
    put_bits(registers.subspan(newest.address), newest, protocol::raw_count(*profile_.counter, counter));
    if (profile_.epoch)
        put_bits(registers.subspan(profile_.epoch->address), *profile_.epoch, epoch_);
}

void RegisterTool::show(const protocol::WrittenResult& result, std::span<std::uint16_t> registers) {
    const auto words = lay_out(profile_, result, epoch_);
    status_.shown = result.counter;
    if (profile_.ring) {
        if (result.counter != 0)
            put(words, result.counter, registers);
        return put_newest(result.counter, registers);
    }
    if (tears_ == 0) {
        put(words, 0, registers);
        torn_rest_.clear();
        return;
    }
    // The counter still is the old one; of the values the first half is new.
    torn_rest_ = words;
    auto half = words;
    const auto old = standing(registers);
    std::ranges::copy(std::span(old).subspan(old.size() / 2 + 1),
                      half.begin() + static_cast<std::ptrdiff_t>(old.size() / 2 + 1));
    if (profile_.counter) {
        const auto counter = protocol::place_of(profile_, profile_.counter->field);
        const auto at = protocol::offset_in(blocks_, counter).value_or(0);
        std::ranges::copy(std::span(old).subspan(at, counter.count),
                          half.begin() + static_cast<std::ptrdiff_t>(at));
    }
    put(half, 0, registers);
}

// Whose it is comes last, as the count of a result does.
void RegisterTool::show_trace(std::uint64_t counter, const protocol::Trace& trace,
                              std::span<std::uint16_t> registers) {
    if (!profile_.trace || !profile_.counter)
        return;
    const protocol::TraceFields& fields = *profile_.trace;
    const std::size_t samples = std::min<std::size_t>(trace.samples(), fields.samples);
    const auto put_sample = [&](const protocol::SampleFields& column, std::size_t sample, double value) {
        const std::size_t apart = column.apart != 0 ? column.apart : protocol::width(column.field.type);
        put_bits(registers.subspan(column.field.address + apart * sample), column.field,
                 bits_of(column.field, value));
    };
    for (std::size_t i = 0; i < samples; ++i) {
        put_sample(fields.torque, i, as_double(protocol::exact_sample(trace.torque, i)));
        if (fields.angle && trace.angle)
            put_sample(*fields.angle, i, as_double(protocol::exact_sample(*trace.angle, i)));
        if (fields.time)
            put_sample(*fields.time, i, static_cast<double>(protocol::time_us_at(trace, i).value_or(0)));
    }
    if (const auto* interval = std::get_if<protocol::SampleInterval>(&trace.times);
        interval != nullptr && fields.interval)
        put_bits(registers.subspan(fields.interval->address), *fields.interval,
                 bits_of(*fields.interval, static_cast<double>(interval->us)));
    if (fields.count)
        put_bits(registers.subspan(fields.count->address), *fields.count,
                 bits_of(*fields.count, std::uint64_t{samples}));
    put_bits(registers.subspan(fields.belongs_to.address), fields.belongs_to,
             bits_of(fields.belongs_to, protocol::raw_count(*profile_.counter, counter)));
}

bool RegisterTool::is_polled_by(const RegisterRequest& request) const {
    return !request.writes && std::ranges::any_of(protocol::reads_of(profile_), [&](const auto& block) {
        return request.bits == protocol::is_bit_table(block.table) &&
               request.touches(block.start, block.length);
    });
}

void RegisterTool::on_read(const RegisterRequest& request, std::span<std::uint16_t> /*registers*/) {
    if (!is_polled_by(request))
        return;
    const std::lock_guard lock{mutex_};
    ++status_.reads;
    changed_.notify_all();
}

void RegisterTool::after(const RegisterRequest& request, std::span<std::uint16_t> registers) {
    const std::lock_guard lock{mutex_};
    if (is_polled_by(request) && !torn_rest_.empty()) {
        // The tool comes to the end of its write between two reads of the master.
        put(std::exchange(torn_rest_, {}), 0, registers);
        if (tears_ > 0)
            --tears_;
    }
    if (take_at_ && std::chrono::steady_clock::now() >= *take_at_)
        take_acknowledgement(registers);
    if (!request.writes)
        return;
    if (profile_.acknowledge && !request.bits &&
        request.touches(*profile_.acknowledge, protocol::width(profile_.counter->field.type)))
        take_acknowledgement(registers);
    if (profile_.handshake && request.bits == protocol::is_bit_table(profile_.handshake->table) &&
        request.touches(profile_.handshake->address, 1))
        take_handshake(registers);
    if (profile_.control)
        take_control(request, registers);
}

void RegisterTool::take_control(const RegisterRequest& request, std::span<std::uint16_t> registers) {
    const protocol::RegisterControl& control = *profile_.control;
    const bool is_bit = protocol::is_bit_table(control.enable.table);
    if (request.bits == is_bit && request.touches(control.enable.address, 1)) {
        const std::uint16_t written = is_bit ? std::uint16_t{server_->bits()[control.enable.address]}
                                             : registers[control.enable.address];
        if (written == control.enable.on || written == control.enable.off)
            status_.may_run = written == control.enable.on;
    }
    if (control.program && !request.bits && request.touches(*control.program, 1)) {
        const auto named =
            std::ranges::find(control.programs, registers[*control.program], &protocol::CodeText::code);
        status_.program = named == control.programs.end() ? std::string{} : named->text;
    }
    say_control(registers);
    changed_.notify_all();
}

void RegisterTool::say_control(std::span<std::uint16_t> registers) {
    const protocol::RegisterControl& control = *profile_.control;
    const auto say = [&](const RegisterField& field, std::uint16_t value) {
        if (protocol::is_bit_table(field.table.value_or(profile_.table)))
            server_->bits()[field.address] = value != 0 ? 1 : 0;
        else
            registers[field.address] =
                field.bits ? static_cast<std::uint16_t>(value << field.bits->first) : value;
    };
    say(control.enabled, status_.may_run || disobeys_ ? 1 : 0);
    if (control.selected)
        say(*control.selected, control.program ? registers[*control.program] : std::uint16_t{0});
}

void RegisterTool::disobey(bool on) {
    server_->change([&](std::span<std::uint16_t> registers) {
        const std::lock_guard lock{mutex_};
        disobeys_ = on;
        say_control(registers);
    });
}

void RegisterTool::shown_is_stored() {
    status_.acknowledged = kept_.front().counter;
    kept_.pop_front();
    status_.kept = kept_.size();
}

void RegisterTool::take_acknowledgement(std::span<std::uint16_t> registers) {
    if (kept_.empty() || status_.shown != kept_.front().counter)
        return;
    const auto wanted = protocol::acknowledge_words(profile_, kept_.front().counter);
    const auto written = registers.subspan(*profile_.acknowledge, wanted.size());
    if (!std::ranges::equal(wanted, written))
        return;
    if (slow_.count() > 0 && !take_at_) {
        take_at_ = std::chrono::steady_clock::now() + slow_;
        return;
    }
    take_at_.reset();
    shown_is_stored();
    show_next(registers);
    status_.kept = kept_.size();
    changed_.notify_all();
}

// It takes the acknowledgement, shows that it has nothing to give, and goes on when that was seen.
void RegisterTool::take_handshake(std::span<std::uint16_t> registers) {
    const protocol::Handshake& handshake = *profile_.handshake;
    const std::uint16_t written = protocol::is_bit_table(handshake.table)
                                      ? std::uint16_t{server_->bits()[handshake.address]}
                                      : registers[handshake.address];
    if (written == handshake.value && !kept_.empty() && status_.shown == kept_.front().counter) {
        shown_is_stored();
        show({}, registers);
        clear_awaited_ = true;
    } else if (written == handshake.cleared && clear_awaited_) {
        clear_awaited_ = false;
        show_next(registers);
    }
    changed_.notify_all();
}

void RegisterTool::hold_back(bool on) {
    server_->change([&](std::span<std::uint16_t> registers) {
        const std::lock_guard lock{mutex_};
        held_back_ = on;
        show_next(registers);
    });
}

void RegisterTool::slow_to_take(std::chrono::milliseconds delay) {
    const std::lock_guard lock{mutex_};
    slow_ = delay;
}

void RegisterTool::tear(unsigned reads) {
    const std::lock_guard lock{mutex_};
    tears_ = reads;
}

void RegisterTool::restart(std::uint64_t epoch) {
    server_->change([&](std::span<std::uint16_t> registers) {
        const std::lock_guard lock{mutex_};
        epoch_ = epoch;
        kept_.clear();
        clear_awaited_ = false;
        status_.newest = 0;
        status_.acknowledged = 0;
        status_.kept = 0;
        show({}, registers);
    });
}

void RegisterTool::lose_one() {
    const std::lock_guard lock{mutex_};
    ++status_.newest;
}

RegisterTool::Status RegisterTool::status() const {
    const std::lock_guard lock{mutex_};
    return status_;
}

bool RegisterTool::await(const std::function<bool(const Status&)>& wanted,
                         std::chrono::milliseconds limit) const {
    std::unique_lock lock{mutex_};
    return changed_.wait_for(lock, limit, [&] { return wanted(status_); });
}

}  // namespace tautgate::simulation
