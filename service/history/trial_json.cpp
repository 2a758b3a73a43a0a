#include "service/history/trial_json.hpp"

#include <algorithm>
#include <string_view>

#include <boost/describe/enum_to_string.hpp>
#include <nlohmann/json.hpp>

#include "protocol/text.hpp"
#include "protocol/utc.hpp"
#include "service/history/json_parts.hpp"
#include "service/interlock/reason.hpp"

namespace tautgate::history {
namespace {

using nlohmann::json;

template <class Enum>
std::string_view name_in_trial(Enum value) {
    return boost::describe::enum_to_string(value, "unnamed");
}

json found_view(const evaluation::Finding& finding) {
    const auto text = evaluation::text_of(finding.code);
    return {{"code", name_in_trial(finding.code)},
            {"sentence", text.sentence},
            {"found", text_or_null(finding.found)},
            {"allowed", text_or_null(finding.allowed)}};
}

json taken_view(const View& view) {
    return {{"taken", name_in_trial(view.taken)},
            {"joint", text_or_null(view.joint)},
            {"fastener", text_or_null(view.fastener)},
            {"findings", list_of(view.findings, found_view)},
            {"why", or_null(view.why, [](interlock::UnassignedWhy why) { return name_in_trial(why); })}};
}

json tightening_view(const TighteningDifference& each) {
    return {{"event", each.event.value},
            {"at", protocol::utc_text(each.utc_us)},
            {"tool", text_or_null(each.tool.text)},
            {"was", taken_view(each.was)},
            {"would_be", taken_view(each.would_be)}};
}

json held_view(const interlock::Reason& reason) {
    return {{"code", name_in_trial(reason.code)},
            {"sentence", interlock::sentence(reason)},
            {"remedy", interlock::remedy(reason)}};
}

json release_view(const ReleaseDifference& each) {
    return {{"permissive", each.permissive.text},
            {"change", name_in_trial(each.kind)},
            {"was", number_or_null(each.was)},
            {"would_be", number_or_null(each.would_be)},
            {"reasons", list_of(each.reasons, held_view)}};
}

json act_view(const ActDifference& each) {
    return {{"event", each.event.value},
            {"at", protocol::utc_text(each.utc_us)},
            {"change", name_in_trial(each.kind)},
            {"what", protocol::snake_case(each.what)},
            {"says", text_or_null(each.sentence)}};
}

json stay_view(const StayFindings& found) {
    return {{"stay", found.stay.value},
            {"unit", text_or_null(found.unit)},
            {"variant", text_or_null(found.variant)},
            {"bay", found.bay},
            {"began", protocol::utc_text(found.began_utc_us)},
            {"last_event", found.last.value},
            {"rules", text_or_null(found.rules)},
            {"tightenings", list_of(found.tightenings, tightening_view)},
            {"releases", list_of(found.releases, release_view)},
            {"decisions", list_of(found.acts, act_view)},
            {"without_curve", list_of(found.without_curve, [](domain::EventNumber e) { return e.value; })},
            {"not_followed", number_or_null(found.not_followed)},
            {"stored_otherwise", number_or_null(found.stored_otherwise)}};
}

json joint_view(const std::string& id, const JointTally& tally, const config::Station& proposed) {
    const auto known = std::ranges::find(proposed.joints, id, &config::Joint::id);
    return {{"joint", id},
            {"name", known == proposed.joints.end() ? json(nullptr) : json(known->name)},
            {"tightenings", tally.tightenings},
            {"ok_to_not_ok", tally.ok_to_not_ok},
            {"not_ok_to_ok", tally.not_ok_to_ok},
            {"otherwise", tally.otherwise},
            {"not_told", tally.not_told},
            {"units", tally.units}};
}

}  // namespace

std::string trial_json(const Trial& trial, const config::Station& proposed) {
    json joints = json::array();
    for (const auto& [id, tally] : trial.joints)
        joints.push_back(joint_view(id, tally, proposed));
    const auto differing = std::ranges::count_if(trial.differing, &StayFindings::differs);
    return dump({{"stays", trial.stays},
                 {"results", trial.results},
                 {"stays_with_differences", differing},
                 {"still_open", trial.still_open},
                 {"joints", std::move(joints)},
                 {"units", list_of(trial.differing, stay_view)},
                 {"cannot_be_told", list_of(trial.untold,
                                            [](const Untold& each) {
                                                return json{{"about", each.about}, {"why", each.why}};
                                            })},
                 {"stored_otherwise",
                  list_of(trial.stored_otherwise, [](domain::EventNumber stay) { return stay.value; })}});
}

}  // namespace tautgate::history
