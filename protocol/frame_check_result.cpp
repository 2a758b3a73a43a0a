#include <algorithm>
#include <cstdlib>
#include <initializer_list>
#include <limits>
#include <string_view>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_check.hpp"
#include "protocol/frame_places.hpp"
#include "protocol/frame_stamp.hpp"
#include "protocol/text.hpp"
#include "protocol/value_worth.hpp"

namespace tautgate::protocol {

namespace {

constexpr int day_minutes = 24 * 60;
constexpr std::size_t bounding_digits = 18;

// The highest count that has room there; nothing: any.
std::optional<std::uint64_t> highest_at(const FramePlace& place) {
    if (const auto* number = std::get_if<NumberAt>(&place))
        return number->one_byte && !number->bits ? 0xFF : highest_of(number->type, number->bits);
    const std::size_t digits = extent_of(place).count;
    if (digits == 0 || digits > bounding_digits)
        return std::nullopt;
    std::uint64_t highest = 1;
    for (std::size_t i = 0; i < digits; ++i)
        highest *= 10;
    return highest - 1;
}

// The highest whole number of up to 32 bits that can stand there, before its scale; nothing: it is written in
// digits, or another kind of number.
std::optional<std::int64_t> highest_whole(const FramePlace& place) {
    const auto* number = std::get_if<NumberAt>(&place);
    if (number == nullptr || is_fraction(number->type) || width(number->type) > 2)
        return std::nullopt;
    const std::uint64_t most = highest_at(place).value_or(0);
    return static_cast<std::int64_t>(is_signed(number->type) ? most / 2 : most);
}

// Why this code can never be what stands there; empty: it can. A number is compared as its decimal text.
std::string why_never(const FramePlace& place, const std::string& code) {
    const auto* number = std::get_if<NumberAt>(&place);
    if (number == nullptr || is_fraction(number->type))
        return {};
    const bool minus = code.starts_with('-') && code != "-0" && is_signed(number->type);
    const std::string digits = minus ? code.substr(1) : code;
    const auto value = whole_from_text(digits, std::numeric_limits<std::uint64_t>::max());
    if (!value || digits != std::to_string(*value))
        return "the number there is compared in decimal digits, without zeros before it";
    const auto most = highest_at(place);
    if (most && *value > *most && !minus)
        return fmt::format("the number there is {} at most", *most);
    return {};
}

class ResultChecker {
  public:
    ResultChecker(FrameFaults& faults, const MeasuringRange& range, const ResultMessage& result,
                  const std::string& pointer)
        : faults_(faults), range_(range), result_(result), pointer_(pointer) {}

    void run() {
        check_news();
        if (!result_.torque && !result_.angle)
            fault("", "the result names neither torque nor angle", "name at least one measured value");
        if (result_.torque) {
            check_unit(*result_.torque);
            check_worth(*result_.torque);
        }
        if (result_.angle)
            check_worth(*result_.angle);
        check_limits();
        check_codes();
        if (result_.stamp)
            check_stamp(*result_.stamp);
    }

  private:
    void fault(const std::string& place, std::string finding, std::string remedy) {
        faults_.add(pointer_ + place, std::move(finding), std::move(remedy));
    }

    // Exactly one thing says that there is a new result.
    void check_news() {
        const bool by_stamp = result_.stamp && result_.stamp->marks_result;
        if (!result_.counter && !by_stamp)
            fault("/counter", "missing", "name the tool's counter; without one a stamp that marks results");
        if (result_.counter && by_stamp)
            fault("/stamp/marks_result", "new results are recognised in two ways",
                  "keep the counter, which tells more");
        if (result_.epoch && !result_.counter)
            fault("/epoch", "it tells of restarts of a counter, and the profile has none", "remove epoch");
        if (!result_.counter)
            return;
        const FrameCounter& counter = *result_.counter;
        if (counter.lowest > 1)
            fault("/counter/lowest", fmt::format("a counter that starts again at {}", counter.lowest),
                  "use 0 or 1");
        const auto most = highest_at(counter.field.place);
        if (counter.highest <= counter.lowest || (most && counter.highest > *most))
            fault("/counter/highest", fmt::format("{} does not fit the counter", counter.highest),
                  most ? fmt::format("use the last count before it starts again, at most {}", *most)
                       : "use the last count before it starts again");
    }

    void check_unit(const FrameTorque& torque) {
        if (!torque.unit && !torque.unit_at)
            fault("/torque/unit", "missing",
                  "name the unit: N.m, cN.m, lbf.ft, lbf.in or kgf.m; or where it stands, with unit_at");
        if (torque.unit && torque.unit_at)
            fault("/torque/unit_at", "the unit is fixed, and stands in the frame as well",
                  "remove unit or unit_at");
        if (torque.unit_at.has_value() == torque.units.empty())
            fault("/torque/units",
                  torque.unit_at ? "no code means a unit" : "codes of a unit that stands nowhere",
                  torque.unit_at ? "list the tool's codes and what they mean"
                                 : "remove them, or name unit_at");
        for (std::size_t i = 0; i < torque.units.size(); ++i)
            check_code(fmt::format("/torque/units/{}", i), torque.units[i].code,
                       std::ranges::count(torque.units, torque.units[i].code, &UnitCode::code));
    }

    void check_worth(const FrameTorque& torque) {
        const auto highest = highest_whole(torque.field.place);
        if (!highest || !torque.unit)
            return;
        const auto* number = std::get_if<NumberAt>(&torque.field.place);
        const std::int64_t lowest = is_signed(number->type) ? -*highest - 1 : 0;
        const CountedTorque counted{lowest, *highest, torque.field.scale, torque.field.offset, *torque.unit};
        for (auto& worth : worth_faults(counted, range_))
            fault("/torque/field/" + worth.key, std::move(worth.finding), std::move(worth.remedy));
    }
    void check_worth(const FrameNumber& angle) {
        if (!highest_whole(angle.place))
            return;
        for (auto& worth : angle_worth_faults(angle.scale, range_))
            fault("/angle/" + worth.key, std::move(worth.finding), std::move(worth.remedy));
    }

    void check_code(const std::string& place, const std::string& code, std::ptrdiff_t times) {
        if (code.starts_with(' ') || code.ends_with(' '))
            fault(place, fmt::format("code {} can never stand there", shown(code)),
                  "give it without spaces around it");
        if (times > 1)
            fault(place, fmt::format("code {} is listed twice", shown(code)), "give each code one meaning");
    }

    void check_limits() {
        const FrameLimits& limits = result_.limits;
        const auto one = [&](const char* key, bool given, bool measured, const char* of) {
            if (given && !measured)
                fault(fmt::format("/limits/{}", key), "a limit of a value that the profile does not name",
                      fmt::format("name {} too", of));
        };
        one("torque_min", limits.torque_min.has_value(), result_.torque.has_value(), "torque");
        one("torque_max", limits.torque_max.has_value(), result_.torque.has_value(), "torque");
        one("angle_min", limits.angle_min.has_value(), result_.angle.has_value(), "angle");
        one("angle_max", limits.angle_max.has_value(), result_.angle.has_value(), "angle");
    }

    void check_can_stand(const std::string& place, const FramePlace& at, const std::string& code) {
        if (const auto why = why_never(at, code); !why.empty())
            fault(place, fmt::format("code {} can never stand there: {}", shown(code), why),
                  "correct the code or the place");
    }

    // No code may mean two things.
    void
    check_lists(const std::string& place, const FramePlace& at,
                std::initializer_list<std::pair<std::string_view, const std::vector<std::string>*>> lists) {
        std::vector<std::string> met;
        for (const auto& [key, codes] : lists)
            for (const std::string& code : *codes) {
                check_code(fmt::format("{}/{}", place, key), code, 1 + std::ranges::count(met, code));
                check_can_stand(fmt::format("{}/{}", place, key), at, code);
                met.push_back(code);
            }
    }

    void check_names(const std::string& place, const FramePlace& at, const std::vector<FrameCode>& names) {
        for (std::size_t i = 0; i < names.size(); ++i) {
            check_can_stand(fmt::format("{}/{}", place, i), at, names[i].code);
            if (names[i].text.empty())
                fault(fmt::format("{}/{}", place, i),
                      fmt::format("code {} has an empty text", shown(names[i].code)), "give it a text");
            check_code(
                fmt::format("{}/{}", place, i), names[i].code,
                1 + std::count_if(names.begin(), names.begin() + static_cast<std::ptrdiff_t>(i),
                                  [&](const FrameCode& other) { return other.code == names[i].code; }));
        }
    }

    void check_codes() {
        if (result_.program)
            check_names("/program/names", result_.program->place, result_.program->names);
        if (const auto& direction = result_.direction) {
            check_lists("/direction", direction->place,
                        {{"tighten", &direction->tighten}, {"loosen", &direction->loosen}});
            if (direction->tighten.empty())
                fault("/direction/tighten", "no code means tightening", "list at least one");
            if (direction->loosen.empty())
                fault("/direction/loosen", "no code means loosening", "list at least one");
        }
        if (const auto& verdict = result_.verdict) {
            check_lists("/verdict", verdict->place,
                        {{"ok", &verdict->ok}, {"not_ok", &verdict->not_ok}, {"aborted", &verdict->aborted}});
            check_names("/verdict/reasons", verdict->place, verdict->reasons);
            if (verdict->ok.empty())
                fault("/verdict/ok", "no code means OK", "list at least one, or leave the verdict out");
        }
    }

    void check_stamp(const FrameStamp& stamp) {
        if (std::abs(int{stamp.utc_offset_minutes}) >= day_minutes)
            fault("/stamp/utc_offset_minutes", fmt::format("{} minutes", stamp.utc_offset_minutes),
                  "use less than a day");
        if (stamp.kind != FrameStampKind::text) {
            if (!stamp.pattern.empty())
                fault("/stamp/pattern", "a stamp that is one number has no pattern",
                      "remove it, or use the kind text");
            return;
        }
        if (std::holds_alternative<NumberAt>(stamp.place))
            fault("/stamp/kind", "a number is no text", "use unix_seconds or unix_milliseconds");
        const std::size_t room = extent_of(stamp.place).count;
        if (!stamp_parts(stamp.pattern))
            fault("/stamp/pattern",
                  fmt::format("{} has not each of YYYY, MM, DD, hh, mm and ss once", shown(stamp.pattern)),
                  "give it as the tool writes it, such as YYYY-MM-DDThh:mm:ss");
        else if (room != 0 && stamp.pattern.size() > room)
            fault("/stamp/pattern",
                  fmt::format("{} is longer than its place, which has {} bytes", shown(stamp.pattern), room),
                  "correct the place or the pattern");
    }

    FrameFaults& faults_;
    const MeasuringRange& range_;
    const ResultMessage& result_;
    const std::string& pointer_;
};

}  // namespace

void check_result(FrameFaults& faults, const FrameProfile& profile, const ResultMessage& result,
                  const std::string& pointer) {
    ResultChecker(faults, profile.range, result, pointer).run();
}

}  // namespace tautgate::protocol
