// How the service ends, for service managers and people. A configuration fault and a lock held by another do
// not clear by starting again; the unit file says so with these numbers.
#pragma once

namespace tautgate::station {

enum class ExitCode : int {
    orderly = 0,
    findings = 1,  // --check-config: the file has errors
    usage = 2,
    port_in_use = 69,
    core_failed = 70,     // an assertion or an exception in the decision core
    journal_failed = 74,  // the first failed write or sync
    locked = 75,          // another process holds the station
    config = 78           // the configuration cannot be used and no approved one is known
};

}  // namespace tautgate::station
