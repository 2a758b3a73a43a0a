// libmodbus's connection with an owner.
#pragma once

#include <memory>

#include <modbus.h>

namespace tautgate::simulation {

struct FreeContext {
    void operator()(modbus_t* context) const noexcept { modbus_free(context); }
};
using Context = std::unique_ptr<modbus_t, FreeContext>;

}  // namespace tautgate::simulation
