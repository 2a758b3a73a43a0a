// Names one handler for each alternative of a variant, so that the compiler finds a forgotten one.
#pragma once

namespace tautgate::interlock {

template <class... Handlers>
struct Overloaded : Handlers... {
    using Handlers::operator()...;
};

}  // namespace tautgate::interlock
