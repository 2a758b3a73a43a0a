#include "config/check.hpp"

#include "config/controllers.hpp"
#include "config/findings.hpp"
#include "config/host.hpp"
#include "config/shortest_exchange.hpp"
#include "protocol/permissive_block.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/ticket_rule.hpp"

namespace tautgate::config {

namespace {

using protocol::to_text;

std::string at(std::string_view list, std::size_t index, std::string_view rest = "") {
    return fmt::format("/{}/{}{}", list, index, rest);
}

// ---- one part at a time -----------------------------------------------------------------------------------

// An echo must have the time of some beats, and those must fit into the longest echo time-out. By coils it
// comes a beat after it was asked for, and is looked at once in a beat.
void check_echo_beats(Findings& findings, const ControllerLink& link, const std::string& pointer) {
    const int fewest = link.coils ? 5 : 3;
    if (fewest * link.beat_interval > shortest_exchange) {
        findings.error(
            pointer + "/beat_interval_ms",
            fmt::format("{} beats of {} ms do not fit into the {} ms within which another unit may "
                        "stand there",
                        fewest, link.beat_interval.count(), shortest_exchange.count()),
            fmt::format("give at most {}", shortest_exchange.count() / fewest));
    } else if (link.echo_timeout < fewest * link.beat_interval) {
        findings.error(pointer + "/echo_timeout_ms",
                       fmt::format("{} ms is less than {} beats of {} ms, {}", link.echo_timeout.count(),
                                   fewest, link.beat_interval.count(),
                                   link.coils ? "within which echo and heartbeat by coils may be late"
                                              : "so one late answer would withhold"),
                       fmt::format("give at least {}", fewest * link.beat_interval.count()));
    }
}

void check_line_alone(Findings& findings, const ControllerLink& link, const std::string& pointer) {
    check_echo_beats(findings, link, pointer);
    // A bay that nobody saw for longer may hold another unit, with which the equipment would take the token
    // of the former.
    const auto check_short = [&](const char* key, std::optional<std::chrono::milliseconds> time) {
        if (time && *time > shortest_exchange)
            findings.error(
                pointer + key,
                fmt::format("{} ms is longer than it may take until another unit stands there ({} ms)",
                            time->count(), shortest_exchange.count()),
                fmt::format("give at most {}", shortest_exchange.count()));
    };
    check_short("/echo_timeout_ms", link.echo_timeout);
    check_short("/beat_timeout_ms", link.beat_timeout);
    if (link.beat_timeout && *link.beat_timeout <= 2 * link.beat_interval) {
        findings.error(pointer + "/beat_timeout_ms",
                       fmt::format("{} ms is no more than 2 beats of {} ms, so one late beat would withhold",
                                   link.beat_timeout->count(), link.beat_interval.count()),
                       fmt::format("give more than {}", 2 * link.beat_interval.count()));
    }
}

void check_bay_alone(Findings& findings, const Bay& bay, const std::string& pointer) {
    if (bay.number == 0) {
        findings.error(pointer + "/number", "bay number 0 is no number on the wire", "give a number from 1");
    }
    check_line_alone(findings, bay.controller, pointer + "/controller");
    for (std::size_t index = 0; index < bay.further_controllers.size(); ++index) {
        check_line_alone(findings, bay.further_controllers[index].link,
                         pointer + at("further_controllers", index));
    }
}

void check_tool_alone(Findings& findings, const Tool& tool, const std::string& pointer) {
    if (tool.calibration && tool.calibration->warn >= tool.calibration->every) {
        findings.error(
            pointer + "/calibration/warn_days",
            fmt::format("{} days are no less than the {} for which a calibration holds, so that it "
                        "would be warned of always",
                        tool.calibration->warn.count(), tool.calibration->every.count()),
            fmt::format("give less than {}", tool.calibration->every.count()));
    }
    if (std::holds_alternative<PulseLink>(tool.link)) {
        return;  // it measures nothing
    }
    if (tool.torque_max <= tool.torque_min) {
        findings.error(
            pointer + "/torque/max",
            fmt::format("{} is not above min ({})", to_text(tool.torque_max), to_text(tool.torque_min)),
            "give the range that the tool is capable of");
    }
    if (tool.torque_resolution.micro_nm <= 0) {
        findings.error(pointer + "/torque/resolution", "the resolution is not above 0",
                       "give the step in which the tool reports torque");
    }
    if (tool.angle_resolution.micro_deg <= 0) {
        findings.error(pointer + "/angle/resolution", "the resolution is not above 0",
                       "give the step in which the tool reports angle");
    }
    const auto* registers = std::get_if<RegisterLink>(&tool.link);
    constexpr int fewest_polls = 2;
    if (registers != nullptr && tool.silence_limit < fewest_polls * registers->poll_interval) {
        findings.error(
            pointer + "/silence_limit_ms",
            fmt::format("{} ms is less than {} polls of {} ms, so one late answer would count as a lost link",
                        tool.silence_limit.count(), fewest_polls, registers->poll_interval.count()),
            fmt::format("give at least {}", fewest_polls * registers->poll_interval.count()));
    }
}

void check_permissive_alone(Findings& findings, const Permissive& permissive, const std::string& pointer) {
    if (permissive.number == 0) {
        findings.error(pointer + "/number", "permissive number 0 is no number on the wire",
                       "give a number from 1");
    }
    if (permissive.scope == Scope::classes && permissive.classes.empty()) {
        findings.error(pointer, "the scope names no class, so nothing would have to be proven",
                       "list the classes, or use the scope every_joint");
    }
    if (permissive.scope != Scope::classes && !permissive.classes.empty()) {
        findings.error(pointer + "/classes",
                       fmt::format("the scope {} has no classes",
                                   permissive.scope == Scope::stages ? "stages" : "every_joint"),
                       "remove them, or use the scope classes");
    }
    check_unique(
        findings, permissive.classes, [](RiskClass risk) { return letter(risk); },
        [&pointer](std::size_t index) { return fmt::format("{}/classes/{}", pointer, index); }, "class");
}

// ---- people -----------------------------------------------------------------------------------------------

void check_sign_in(Findings& findings, std::chrono::seconds lasts) {
    using namespace std::chrono_literals;
    if (lasts < 30s) {
        findings.error("/people/sign_in_lasts_s",
                       fmt::format("a sign-in ends after {} s, sooner than a second person can be fetched "
                                   "and sign in, too",
                                   lasts.count()),
                       "give at least 30 s");
    }
    if (lasts > 8h) {
        findings.warning("/people/sign_in_lasts_s",
                         "an unused sign-in outlasts a shift of 8 h, so that the next shift could act in its "
                         "name",
                         "give a few minutes");
    }
}

void check_people_alone(Findings& findings, const PeopleRules& people) {
    for (std::size_t index = 0; index < people.overrides.size(); ++index) {
        const OverrideRule& rule = people.overrides[index];
        const auto pointer = at("people/overrides", index);
        const std::uint32_t fewest = rule.risk == RiskClass::a ? 2 : 1;
        if (rule.people < fewest) {
            findings.error(pointer + "/people",
                           fmt::format("class {} needs the consent of {}, not of {}", letter(rule.risk),
                                       fewest, rule.people),
                           fmt::format("give at least {}", fewest));
        }
        check_roles(findings, rule.roles, pointer + "/roles", "approve an override");
        if (rule.risk == RiskClass::a && !rule.hand_checked_value) {
            findings.error(pointer + "/hand_checked_value", "a class A override needs a hand-checked value",
                           "give true, or leave the key out");
        }
    }
    check_unique(
        findings, people.overrides, [](const OverrideRule& rule) { return letter(rule.risk); },
        [](std::size_t index) { return at("people/overrides", index, "/risk_class"); }, "class");
    check_unique(
        findings, people.reason_codes,
        [](const ReasonCode& reason) { return fmt::format("\"{}\"", reason.code); },
        [](std::size_t index) { return at("people/reason_codes", index, "/code"); }, "reason code");
    check_roles(findings, people.leaving_incomplete, "/people/leaving_incomplete",
                "let a unit leave incomplete");
    check_roles(findings, people.decisions, "/people/decisions", "answer what the station asks");
    check_sign_in(findings, people.sign_in_lasts);
}

void check_wiring_tests_alone(Findings& findings, const WiringTests& tests) {
    check_roles(findings, tests.roles, "/wiring_tests/roles", "try the wiring");
}

void check_orders_alone(Findings& findings, const Station& station) {
    if (station.orders)
        check_roles(findings, station.orders->entitled, "/orders/entitled", "change orders");
}

// Whether the overrides of the station's joints can be given at all.
void check_overrides_possible(Findings& findings, const Station& station) {
    for (const auto risk : {RiskClass::a, RiskClass::b, RiskClass::c}) {
        const auto& rules = station.people.overrides;
        const auto rule = std::find_if(rules.begin(), rules.end(),
                                       [risk](const OverrideRule& one) { return one.risk == risk; });
        for (std::size_t index = 0; index < station.joints.size(); ++index) {
            const Joint& joint = station.joints[index];
            if (joint.risk != risk) {
                continue;
            }
            if (rule == rules.end()) {
                findings.error("/people/overrides",
                               fmt::format("there is no rule for class {}, which the joint \"{}\" has",
                                           letter(risk), joint.id),
                               "say how many people of which roles may override it");
                break;
            }
            if (rule->hand_checked_value && !joint.audit) {
                findings.error(
                    at("joints", index),
                    fmt::format("an override of class {} needs a hand-checked value, but the joint \"{}\" "
                                "has no audit limits to check it by",
                                letter(risk), joint.id),
                    "add \"audit\"");
            }
        }
    }
}

// ---- calendar ---------------------------------------------------------------------------------------------

constexpr int day_minutes = 24 * 60;
constexpr int week_minutes = 7 * day_minutes;

void check_shift_alone(Findings& findings, const Shift& shift, const std::string& pointer) {
    if (shift.begin == shift.end) {
        findings.error(pointer + "/end", "the shift ends at the minute at which it begins",
                       "give an end that differs; an end before the begin is on the next day");
    }
    check_unique(
        findings, shift.days, [](std::chrono::weekday day) { return day.c_encoding(); },
        [&pointer](std::size_t index) { return fmt::format("{}/days/{}", pointer, index); }, "day");
}

// Every minute belongs to one shift at most.
void check_shifts_apart(Findings& findings, const Calendar& calendar) {
    std::vector<const Shift*> owner(week_minutes, nullptr);
    for (std::size_t index = 0; index < calendar.shifts.size(); ++index) {
        const Shift& shift = calendar.shifts[index];
        const auto length = (shift.end - shift.begin + std::chrono::days(1)) % std::chrono::days(1);
        const Shift* other = nullptr;
        for (const auto day : shift.days) {
            const auto begin =
                static_cast<int>(day.c_encoding()) * day_minutes + static_cast<int>(shift.begin.count());
            for (int minute = 0; minute < static_cast<int>(length.count()); ++minute) {
                const Shift*& here = owner[static_cast<std::size_t>((begin + minute) % week_minutes)];
                other = here != nullptr && here != &shift ? here : other;
                here = &shift;
            }
        }
        if (other != nullptr) {
            findings.error(at("calendar/shifts", index),
                           fmt::format("the shift \"{}\" overlaps the shift \"{}\"", shift.name, other->name),
                           "let one end where the other begins");
        }
    }
    check_unique(
        findings, calendar.shifts, [](const Shift& shift) { return fmt::format("\"{}\"", shift.name); },
        [](std::size_t index) { return at("calendar/shifts", index, "/name"); }, "shift name");
}

// ---- what refers to what ----------------------------------------------------------------------------------

template <class Items>
void check_ids(Findings& findings, const Items& items, std::string_view list) {
    check_unique(
        findings, items, [](const auto& item) { return fmt::format("\"{}\"", item.id); },
        [list](std::size_t index) { return at(list, index, "/id"); }, "id");
}

template <class Items>
void check_bays_of(Findings& findings, const Station& station, const Items& items, std::string_view list) {
    for (std::size_t index = 0; index < items.size(); ++index) {
        check_reference(findings, station.bays, items[index].bay, "bay", at(list, index, "/bay"));
    }
}

void check_all_ids(Findings& findings, const Station& station) {
    check_ids(findings, station.bays, "bays");
    check_ids(findings, station.tools, "tools");
    check_ids(findings, station.scanners, "scanners");
    check_ids(findings, station.io, "io");
    check_ids(findings, station.profiles, "profiles");
    check_ids(findings, station.permissives, "permissives");
    check_ids(findings, station.joints, "joints");
    check_ids(findings, station.plans, "plans");
    check_ids(findings, station.variants, "variants");
    check_unique(
        findings, station.bays, [](const Bay& bay) { return bay.number; },
        [](std::size_t index) { return at("bays", index, "/number"); }, "number");
    check_unique(
        findings, station.permissives, [](const Permissive& permissive) { return permissive.number; },
        [](std::size_t index) { return at("permissives", index, "/number"); }, "number");
    check_bays_of(findings, station, station.tools, "tools");
    check_bays_of(findings, station, station.scanners, "scanners");
    check_bays_of(findings, station, station.io, "io");
    check_bays_of(findings, station, station.permissives, "permissives");
}

// A profile states what the sensor can tell, and so does each tool that uses it.
void check_profile_agrees(Findings& findings, const Tool& tool, const NamedProfile& profile,
                          const std::string& pointer) {
    const auto& range = range_of(profile);
    const auto differs = [&](const std::string& key, const std::string& own, const std::string& theirs) {
        findings.error(pointer + key,
                       fmt::format("{} differs from the {} of profile \"{}\"", own, theirs, profile.id),
                       "state the same in both");
    };
    if (range.torque_resolution != tool.torque_resolution) {
        differs("/torque/resolution", to_text(tool.torque_resolution), to_text(range.torque_resolution));
    }
    if (range.angle_resolution != tool.angle_resolution) {
        differs("/angle/resolution", to_text(tool.angle_resolution), to_text(range.angle_resolution));
    }
    if (range.torque_max < tool.torque_max) {
        findings.error(pointer + "/torque/max",
                       fmt::format("{} is above what the sensor can measure by profile \"{}\" ({})",
                                   to_text(tool.torque_max), profile.id, to_text(range.torque_max)),
                       "give a max within the sensor's range");
    }
}

void check_profile_of(Findings& findings, const Station& station, const Tool& tool, const std::string& named,
                      const std::string& pointer) {
    const bool sends = std::holds_alternative<FrameLink>(tool.link);
    const auto here = pointer + (sends ? "/link/frames/profile" : "/link/registers/profile");
    check_reference(findings, station.profiles, named, "profile", here);
    const NamedProfile* profile = by_id(station.profiles, named);
    if (profile == nullptr) {
        return;
    }
    if (sends != (frame_profile(profile) != nullptr)) {
        findings.error(here,
                       fmt::format("the profile \"{}\" describes {}, and the tool {}", named,
                                   sends ? "registers" : "frames", sends ? "sends frames" : "is polled"),
                       "name a profile of the other kind, or reach the tool the other way");
        return;
    }
    check_profile_agrees(findings, tool, *profile, pointer);
}

void check_tools(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const auto pointer = at("tools", index);
        if (const std::string* named = profile_id(tool)) {
            check_profile_of(findings, station, tool, *named, pointer);
        } else if (std::holds_alternative<LineLink>(tool.link) && !station.tool_port) {
            findings.error(pointer + "/link/line", "the tool would connect, but the station has no tool port",
                           "add \"tool_port\" to the station");
        }
        for (const std::string& id : bays_of(tool)) {
            const Bay* bay = by_id(station.bays, id);
            if (bay == nullptr || !tool.simulated || bay->simulated) {
                continue;
            }
            findings.warning(
                pointer + "/simulated",
                fmt::format("results of the simulated tool \"{}\" prove nothing at bay \"{}\", whose "
                            "equipment is real",
                            tool.id, bay->id),
                "simulate the bay as well, or use a real tool");
        }
    }
}

void check_profiles(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.profiles.size(); ++index) {
        const NamedProfile& named = station.profiles[index];
        const auto key = frame_profile(&named) == nullptr ? "/layout" : "/frames";
        const auto faults =
            std::visit([](const auto& profile) { return protocol::check(profile); }, named.profile);
        for (const auto& fault : faults) {
            findings.error(at("profiles", index, key) + fault.place, fault.finding, fault.remedy);
        }
    }
}

void check_tickets(Findings& findings, const Station& station) {
    for (const auto& faults : {protocol::check(station.tickets), protocol::check_examples(station.tickets)})
        for (const auto& fault : faults)
            findings.error(at("tickets", fault.rule, fault.key.empty() ? "" : "/" + fault.key), fault.finding,
                           fault.remedy);
    for (std::size_t index = 0; index < station.tickets.size(); ++index) {
        const auto& rule = station.tickets[index];
        if (rule.check && rule.examples.empty() &&
            std::holds_alternative<protocol::PatternLabel>(rule.content))
            findings.warning(at("tickets", index, "/check"),
                             "whether labels of this pattern can have such check characters is not known "
                             "beforehand",
                             "add a label to \"examples\", and it is read here");
    }
}

void check_bays(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        const auto& id = station.bays[index].id;
        if (comes_out(station, id, [](const Permissive&) { return true; })) {
            continue;
        }
        const bool moves = bays_from(station, id).size() > 1;
        findings.error(at("bays", index),
                       fmt::format("no permissive of bay \"{}\"{} has \"leaving\": true, so a stay would "
                                   "never end",
                                   id, moves ? ", or of one to which its units move," : ""),
                       "mark the movement by which the unit leaves");
    }
}

// Told only of a station that has no errors: a wrong reference leaves things unused that are not.
void warn_of_unused(Findings& findings, const Station& station) {
    const auto unused = [&](std::string_view list, std::size_t index, std::string_view what,
                            const std::string& id) {
        findings.warning(at(list, index), fmt::format("nothing uses the {} \"{}\"", what, id),
                         "use it or remove it");
    };
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto& id = station.tools[index].id;
        const bool used = std::any_of(station.joints.begin(), station.joints.end(),
                                      [&id](const Joint& joint) { return may_be_by(joint, id); });
        if (!used) {
            unused("tools", index, "tool", id);
        }
    }
    for (std::size_t index = 0; index < station.profiles.size(); ++index) {
        const auto& id = station.profiles[index].id;
        const bool used = std::any_of(station.tools.begin(), station.tools.end(), [&id](const Tool& tool) {
            const std::string* named = profile_id(tool);
            return named != nullptr && *named == id;
        });
        if (!used) {
            unused("profiles", index, "profile", id);
        }
    }
    warn_of_unused_plans_and_joints(findings, station);
}

// ---- registers on wires ----------------------------------------------------------------------------------

void check_serial(Findings& findings, const RegisterLink& link, const std::string& pointer) {
    // MODBUS over Serial Line V1.02, 2.2: 0 is for all, 248 to 255 are reserved.
    constexpr std::uint8_t highest_serial_unit = 247;
    if (!link.serial->device.starts_with('/')) {
        findings.error(pointer + "/serial/device",
                       fmt::format("\"{}\" is no path of a device", link.serial->device),
                       "give the whole path, best the one below /dev/serial/by-path");
    }
    if (link.unit == 0 || link.unit > highest_serial_unit) {
        findings.error(pointer + "/unit", fmt::format("no device on a serial line has unit {}", link.unit),
                       "give 1 to 247, as set at the tool");
    }
}

// Two tools at one place, or on one serial line that they describe differently.
void check_apart(Findings& findings, const RegisterLink& link, const RegisterLink& other,
                 const std::string& pointer, const std::string& owner) {
    const std::string place = link.serial ? link.serial->device : fmt::format("{}:{}", link.host, link.port);
    const bool same_line = link.serial && other.serial && link.serial->device == other.serial->device;
    if (same_line && *link.serial != *other.serial) {
        findings.error(pointer + "/serial",
                       fmt::format("{} is described otherwise at tool \"{}\"", link.serial->device, owner),
                       "give both the same baud, parity and stop_bits");
    }
    const bool same_place =
        !link.serial && !other.serial && same_host(other.host, link.host) && other.port == link.port;
    if ((same_line || same_place) && other.unit == link.unit) {
        findings.error(pointer,
                       fmt::format("{} unit {} is polled already, by tool \"{}\"", place, link.unit, owner),
                       "give each tool its own address");
    }
}

void check_polled(Findings& findings, const Station& station) {
    std::vector<std::pair<const RegisterLink*, std::size_t>> links;
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto* link = std::get_if<RegisterLink>(&station.tools[index].link);
        if (link == nullptr) {
            continue;
        }
        if (link->serial) {
            check_serial(findings, *link, at("tools", index, "/link/registers"));
        }
        for (const auto& [other, owner] : links) {
            check_apart(findings, *link, *other, at("tools", index, "/link/registers"),
                        station.tools[owner].id);
        }
        links.emplace_back(link, index);
    }
}

// A range of registers at one device: [begin, end).
struct Registers {
    std::string pointer;
    const ControllerLink* link = nullptr;
    std::size_t begin = 0;
    std::size_t end = 0;
};

// One block of each kind per permissive of the controller, in a row.
void check_register_ranges(Findings& findings, const Station& station) {
    constexpr std::size_t registers_end = 65536;
    std::vector<Registers> all;
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        const Bay& bay = station.bays[index];
        if (is_by_coils(bay)) {
            continue;  // it has no registers
        }
        for (const BayController& controller : controllers_of(station, bay)) {
            const auto add = [&](std::string_view key, std::size_t begin, std::size_t words) {
                all.push_back({at("bays", index, fmt::format("{}/{}", controller.key, key)), controller.link,
                               begin, begin + controller.permissives.size() * words});
            };
            add("permissive_address", controller.link->permissive_address, protocol::permissive_words);
            add("feedback_address", controller.link->feedback_address, protocol::feedback_words);
        }
    }
    for (std::size_t late = 0; late < all.size(); ++late) {
        const Registers& one = all[late];
        if (one.end > registers_end) {
            findings.error(one.pointer,
                           fmt::format("the blocks from {} on would end at {}, beyond register 65535",
                                       one.begin, one.end),
                           "give a lower address");
        }
        for (std::size_t early = 0; early < late; ++early) {
            const Registers& other = all[early];
            const bool same_device = same_host(one.link->host, other.link->host) &&
                                     one.link->port == other.link->port && one.link->unit == other.link->unit;
            if (same_device && one.begin < other.end && other.begin < one.end) {
                findings.error(one.pointer,
                               fmt::format("registers {} to {} overlap registers {} to {} of {}", one.begin,
                                           one.end - 1, other.begin, other.end - 1, other.pointer),
                               "give addresses that leave room for one block per permissive");
            }
        }
    }
}

void check_parts_alone(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        check_bay_alone(findings, station.bays[index], at("bays", index));
    }
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        check_tool_alone(findings, station.tools[index], at("tools", index));
    }
    for (std::size_t index = 0; index < station.permissives.size(); ++index) {
        check_permissive_alone(findings, station.permissives[index], at("permissives", index));
    }
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        check_joint_alone(findings, station.joints[index], at("joints", index));
    }
    for (std::size_t index = 0; index < station.calendar.shifts.size(); ++index) {
        check_shift_alone(findings, station.calendar.shifts[index], at("calendar/shifts", index));
    }
}

}  // namespace

void check_roles(Findings& findings, const std::vector<Role>& roles, const std::string& pointer,
                 std::string_view what) {
    if (roles.empty()) {
        findings.error(pointer, fmt::format("nobody could ever {}", what), "list at least one role");
    }
    for (std::size_t index = 0; index < roles.size(); ++index) {
        if (roles[index] == Role::line_operator) {
            findings.error(fmt::format("{}/{}", pointer, index), fmt::format("an operator may not {}", what),
                           "name a role that does not work at the joint");
        }
    }
    check_unique(
        findings, roles, [](Role role) { return static_cast<int>(role); },
        [&pointer](std::size_t index) { return fmt::format("{}/{}", pointer, index); }, "role");
}

std::vector<ConfigFinding> check_each_alone(const Station& station) {
    Findings findings;
    check_parts_alone(findings, station);
    return findings.take();
}

namespace {

// Every joint done as its plan has it.
std::vector<ConfigFinding> check_as_planned(const Station& station) {
    Findings findings;
    check_parts_alone(findings, station);
    check_people_alone(findings, station.people);
    check_matrix(findings, station);
    check_wiring_tests_alone(findings, station.wiring_tests);
    check_orders_alone(findings, station);
    check_overrides_possible(findings, station);
    check_shifts_apart(findings, station.calendar);
    check_all_ids(findings, station);
    check_bays(findings, station);
    check_tools(findings, station);
    check_profiles(findings, station);
    check_tickets(findings, station);
    check_joint_tools(findings, station);
    check_alternates(findings, station);
    check_curves(findings, station);
    check_moves(findings, station);
    check_control(findings, station);
    check_coils(findings, station);
    check_bits(findings, station);
    check_controllers(findings, station);
    check_plans(findings, station);
    check_pair_and_variants(findings, station);
    check_addresses(findings, station);
    check_polled(findings, station);
    check_devices(findings, station);
    check_io(findings, station);
    check_frames(findings, station);
    check_programs(findings, station);
    check_register_ranges(findings, station);
    check_design(findings, station);
    if (!findings.has_error()) {
        warn_of_coils(findings, station);
        warn_of_unused(findings, station);
        warn_of_profiles(findings, station);
        warn_of_references(findings, station);
        warn_of_design(findings, station);
        warn_of_tools_behind(findings, station);
    }
    return findings.take();
}

}  // namespace

std::vector<ConfigFinding> check(const Station& station) {
    return check_with_alternates(station, check_as_planned);
}

}  // namespace tautgate::config
