// tautgate make-keys: the keys of the tools that speak the line protocol with one, drawn into the files that
// the station's description names. What is there already is never written over. Blocking; one thread.
#pragma once

#include <string>

#include "tools/cli/questions.hpp"

namespace tautgate::cli {

struct KeyOrder {
    std::string file;    // the station's description
    std::string folder;  // where the keys lie: beside the journal
    std::string tool;    // its id; empty: every tool that has none yet
};

// Exit::no where a key that is there cannot be used, or where the tool that was named has one already.
[[nodiscard]] Asked<Exit> make_keys(const Desk& desk, const KeyOrder& order);

}  // namespace tautgate::cli
