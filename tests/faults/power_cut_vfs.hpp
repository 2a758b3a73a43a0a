// A disk that forgets what was not synced, for SQLite: files are read and written in memory, and only a sync
// carries what was written to the real file. When the process dies, or cut() is called, everything later than
// the last sync is gone, as after a power cut; a torn cut lets any part of it reach the disk first, in
// sectors of 512 bytes and in any order. Locks and shared memory stay the real ones, so that several
// connections of one process work as ever.
//
// One disk for each registered name. Its files may be opened by this process only.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

namespace tautgate::faults {

// How a disk begins to fail; whoever asks it again fails again.
enum class Failure : std::uint8_t { none, full, write, sync };

class PowerCutDisk {
  public:
    // Registers an SQLite VFS of this name; it lives as long as the process.
    [[nodiscard]] static PowerCutDisk& register_as(const std::string& name);

    // The power fails before the operation that is this many further on (1: the next). 0: never.
    void cut_before(std::uint64_t operation);
    void cut();
    // The power is back: what connections have open is gone for good, files are opened anew.
    void power_on();
    // At the cut, parts of what was not synced reach the disk, chosen by the seed. 0: nothing does.
    void tear(std::uint64_t seed);
    // Syncs report success and do nothing: what `PRAGMA synchronous = OFF` amounts to.
    void ignore_syncs(bool ignore);
    // No more than this many bytes fit on the disk. 0: no limit.
    void limit_bytes(std::uint64_t bytes);
    // From now on nothing more fits, or each write or sync fails.
    void fail(Failure how);
    // The next write does not fit, and the one after it does again.
    void refuse_one_write();

    [[nodiscard]] bool is_cut() const;
    [[nodiscard]] std::uint64_t operations() const;  // since the power came on
    [[nodiscard]] std::uint64_t syncs() const;

    struct State;

  private:
    explicit PowerCutDisk(std::shared_ptr<State> state);
    std::shared_ptr<State> state_;
};

}  // namespace tautgate::faults
