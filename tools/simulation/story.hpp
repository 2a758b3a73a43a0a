// A stretch of a shift at the demo station, told in the words of the shop floor and checked step by step:
// what has to be held is held, with the reason that belongs to it, and what has to be released is released.
// Each check is one line, `ok` or `WRONG`. No step waits blindly: it waits for a condition, and every wait
// ends.
//
// One thread.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <functional>
#include <string>

#include "tools/simulation/crew.hpp"
#include "tools/simulation/shop_floor.hpp"

namespace tautgate::simulation {

// One pair of build tickets of the demo station.
struct UnitPapers {
    std::string order;    // LT26-0417
    std::string variant;  // MB1
    std::string motor;    // TM000871
    std::string frame;    // BF001203
    [[nodiscard]] std::string motor_label() const { return "D " + order + " " + variant + " " + motor; }
    [[nodiscard]] std::string frame_label() const { return "F " + order + " FR1 " + frame; }
    [[nodiscard]] std::string name() const { return order + " " + motor; }
};

// The plan of a variant; the error names the variants that there are.
[[nodiscard]] std::expected<std::string, std::string> plan_of(const config::Station& station,
                                                              const std::string& variant);

class Shift {
  public:
    using Say = std::function<void(const std::string& line)>;

    Shift(ShopFloor& floor, Crew& crew, std::string bay, Say say)
        : floor_(floor), crew_(crew), bay_(std::move(bay)), say_(std::move(say)) {}

    // The links of all tools and of the controller are good.
    bool wait_until_ready();
    // Papers of a unit that was not here before.
    [[nodiscard]] UnitPapers next_papers(const std::string& variant);

    // The stories; each begins and ends with an empty bay, and is true if nothing was wrong in it.
    bool good_unit();
    // A snug run stays low; the bolt is loosened and done again.
    bool low_torque_repaired();
    // A stripped thread stays bad; two people let the joint count after checking it by hand.
    bool bad_joint_overridden();
    // The frame of another order is set in; nothing counts until the right one is there.
    bool wrong_pair_corrected();
    // Nothing moved that the bolts did not bear out.
    bool nothing_moved_wrongly();

    // The parts that stories are made of.
    bool bring(const UnitPapers& papers);
    bool tighten(const std::string& joint);
    bool tighten_from(const std::string& first_joint);
    bool lift(const UnitPapers& papers);
    bool leave(const UnitPapers& papers);
    bool held(const std::string& permissive, const std::string& reason, const std::string& because);

    [[nodiscard]] std::size_t wrong() const noexcept { return wrong_; }

  private:
    bool check(bool good, const std::string& claim);
    bool done(const std::expected<void, std::string>& step, const std::string& doing);
    bool set_down(const UnitPapers& papers, bool matched);
    bool released(const std::string& permissive, const UnitPapers& papers);
    bool stored(const std::string& joint);
    bool run(const Where& where, Mishap mishap, bool ok, const std::string& claim);
    bool confirm_until(const std::string& permissive);

    ShopFloor& floor_;
    Crew& crew_;
    std::string bay_;
    Say say_;
    std::size_t wrong_ = 0;
    std::uint32_t next_unit_ = 0;
};

}  // namespace tautgate::simulation
