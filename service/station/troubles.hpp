// What is wrong with the service itself, as opposed to an input: the disk, the journal, how it was started.
// Some of it withholds every permissive whatever the core decided. Loop thread.
#pragma once

#include <string_view>
#include <vector>

#include "service/web/station_port.hpp"

namespace tautgate::station {

class Troubles {
  public:
    // Adds or replaces the one with this code. True if it is new or says something else.
    bool raise(web::Trouble trouble);
    // True if there was one.
    bool clear(std::string_view code);

    [[nodiscard]] bool withhold() const;
    // Those that withhold first.
    [[nodiscard]] std::vector<web::Trouble> list() const;

  private:
    std::vector<web::Trouble> troubles_;
};

}  // namespace tautgate::station
