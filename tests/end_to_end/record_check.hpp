// What the journal of a station must say when the tools and the controller are asked what they know: nothing
// lost that a tool may have forgotten, nothing counted twice, nothing released on the wire of which the
// record has no word, and one state, however often the daemon died on the way.
#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <mutex>
#include <set>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "tools/simulation/shop_floor.hpp"

namespace tautgate::end_to_end {

// Releases as the controller saw them: permissive and token. Looks at every scan until it goes out of scope.
class ReleaseWatch {
  public:
    using Releases = std::set<std::pair<std::string, std::uint32_t>>;

    explicit ReleaseWatch(simulation::ShopFloor& floor);
    ~ReleaseWatch();
    ReleaseWatch(const ReleaseWatch&) = delete;
    ReleaseWatch& operator=(const ReleaseWatch&) = delete;
    ReleaseWatch(ReleaseWatch&&) = delete;
    ReleaseWatch& operator=(ReleaseWatch&&) = delete;

    [[nodiscard]] Releases seen() const;

  private:
    mutable std::mutex mutex_;
    Releases seen_;
    bool ending_ = false;
    std::vector<std::thread> threads_;
};

// Sentences; none: the record is whole. May be asked while the daemon runs, is dead, or has ended.
[[nodiscard]] std::vector<std::string> faults_in_record(const std::filesystem::path& journal,
                                                        simulation::ShopFloor& floor,
                                                        const ReleaseWatch::Releases& released);

}  // namespace tautgate::end_to_end
