// One good unit on its way through the station, whatever happens to the daemon meanwhile: each time the
// daemon dies the record is looked at, the daemon is started again, people do what a restart asks of them
// (sign in, scan a ticket, file a result of which nobody can say when it was made), and the work goes on
// where it stopped. What is wrong is collected as sentences.
//
// One thread. The plant must outlive the run.
#pragma once

#include <chrono>
#include <cstddef>
#include <functional>
#include <string>
#include <vector>

#include "tests/end_to_end/harness.hpp"
#include "tests/end_to_end/record_check.hpp"

namespace tautgate::end_to_end {

// Of tautgated_under_fault: while this is so, the passes of its point count.
void arm(const Plant& plant);
void disarm(const Plant& plant);
[[nodiscard]] std::vector<std::string> fault_at(const Plant& plant, const std::string& point,
                                                std::uint64_t pass, const std::string& act = "die");

// A smaller unit, and links that settle sooner, so that one unit takes seconds.
void make_quick(nlohmann::json& station);

class UnitRun {
  public:
    struct Arrangement {
        // Arguments of the daemon after its first death, its second, ...; afterwards none.
        std::vector<std::vector<std::string>> after_death{};
        // A death ends the run: the record is looked at, and the daemon is not started again.
        bool ends_with_death = false;
    };
    UnitRun(Plant& plant, Arrangement arrangement);
    explicit UnitRun(Plant& plant) : UnitRun(plant, Arrangement{}) {}

    // The parts in their order; each is true if it came to its end.
    bool bring();
    bool tighten(std::size_t first, std::size_t end);  // of all bolts, in the plan's order
    // A bolt that was tightened while nobody could record it.
    bool take_up(std::size_t bolt);
    bool tighten_all() { return tighten(0, bolts()); }
    bool lift();
    bool leave();
    bool whole() { return bring() && tighten_all() && lift() && leave(); }

    // After the unit has left: the record tells of each tightening once, of one stay that left proven, and
    // the last state is what all events lead to. Ends the daemon in order.
    void close_the_books();

    // Until `wanted`; false at the limit, or when the run ended with a death.
    bool until(const std::string& claim, const std::function<bool()>& wanted);
    bool until_released(const std::string& permissive);
    [[nodiscard]] bool is_released(const std::string& permissive) const;

    [[nodiscard]] std::size_t bolts() const noexcept { return bolts_.size(); }
    [[nodiscard]] std::size_t deaths() const noexcept { return deaths_; }
    [[nodiscard]] const std::vector<std::string>& faults() const noexcept { return faults_; }
    [[nodiscard]] std::string told() const;
    [[nodiscard]] const simulation::UnitPapers& papers() const noexcept { return papers_; }
    [[nodiscard]] ReleaseWatch::Releases released() const { return watch_.seen(); }
    // Looks at the record now and keeps what is wrong.
    void look_at_record();

  private:
    void come_back();
    void settle();
    void file_by_hand(const nlohmann::json& occupant);
    void dispose_of_set_aside();
    void wrong(std::string what);
    [[nodiscard]] nlohmann::json occupant() const;
    [[nodiscard]] bool has_ticket(const std::string& serial) const;
    [[nodiscard]] bool is_proven(const simulation::Where& where) const;
    bool move(const std::string& permissive);
    bool scan(const std::string& label, const std::string& serial);
    bool until_recorded(const simulation::Where& where);
    void once_more(const simulation::Where& where);
    bool tighten_one(const simulation::Where& where);

    Plant& plant_;
    Arrangement arrangement_;
    simulation::UnitPapers papers_;
    std::vector<simulation::Where> bolts_;
    ReleaseWatch watch_;
    simulation::Where in_hand_{};  // the bolt whose result is on its way
    std::size_t deaths_ = 0;
    bool set_aside_ = false;  // an event of this unit was, and people disposed of it
    std::size_t done_again_ = 0;
    bool ended_ = false;
    std::vector<std::string> faults_;
};

}  // namespace tautgate::end_to_end
