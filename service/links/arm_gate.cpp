#include "service/links/arm_gate.hpp"

#include <utility>
#include <variant>

namespace tautgate::links {

ArmGate::ArmGate(const config::Station& station, Onward onward) : onward_(std::move(onward)) {
    for (const config::IoModule& module : station.io)
        for (const config::IoInput& input : module.inputs)
            if (const auto* arm = std::get_if<config::ArmInput>(&input.use))
                arms_.try_emplace(arm->tool, Arm{module.id});
}

void ArmGate::take(interlock::Payload told) {
    auto* result = std::get_if<interlock::ResultReceived>(&told);
    const auto arm = result == nullptr ? arms_.end() : arms_.find(result->tool.text);
    if (arm != arms_.end() && arm->second.watched)
        arm->second.waiting.push_back(std::move(*result));
    else
        onward_(std::move(told));
}

void ArmGate::looked(const std::string& module, std::chrono::nanoseconds began) {
    for (auto& [tool, arm] : arms_) {
        if (arm.module != module)
            continue;
        arm.watched = true;
        while (!arm.waiting.empty() && arm.waiting.front().made.to_ns <= began.count())
            let_go(arm);
    }
}

void ArmGate::lost(const std::string& module) {
    for (auto& [tool, arm] : arms_) {
        if (arm.module != module)
            continue;
        arm.watched = false;
        while (!arm.waiting.empty())
            let_go(arm);
    }
}

void ArmGate::let_go(Arm& arm) {
    interlock::ResultReceived result = std::move(arm.waiting.front());
    arm.waiting.pop_front();
    onward_(std::move(result));
}

}  // namespace tautgate::links
