// The folder into which the works' planning puts order files (protocol/ORDERS.md). A file that is whole is
// taken by moving it into `taken` under a number, is read, and is given to whoever decides about orders; the
// answer is written into `answers`. One file at a time, in the order of taking.
//
// All that this has to remember stands in the two folders: a file in `taken` without an answer is yet to be
// decided. So a start after a crash is no other than a first one; a file that was decided but not answered is
// given again, and its SHA-256 tells that it is known. Nothing is ever deleted or written over.
//
// In doubt a file stays where it is, with one sentence that names it and says what to do; it is looked at
// again with every look. Whatever lies in the folder, nothing here ends the process. Used by one thread,
// which may have to wait for the disk: not the loop's (order_watch.hpp).
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <set>
#include <stop_token>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "config/station.hpp"
#include "protocol/order_answer.hpp"
#include "protocol/order_csv.hpp"
#include "service/links/drop_files.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

// Orders that wait for a decision: all of them or none.
struct OrdersOffered {
    std::uint64_t number = 0;  // under which the file was taken
    protocol::OrderFileName file;
    std::vector<protocol::OrderEntry> orders;
    bool operator==(const OrdersOffered&) const = default;
};

// A file that is no order file. It is rejected without asking anybody; this is only told.
struct OrdersMisread {
    std::uint64_t number = 0;
    protocol::OrderFileName file;
    std::vector<protocol::RowFault> faults;
    bool operator==(const OrdersMisread&) const = default;
};

using OrderFile = std::variant<OrdersOffered, OrdersMisread>;

// The separator as the station has it, and the kinds of ticket of its pair.
[[nodiscard]] protocol::OrderFormat order_format_of(const config::Station& station,
                                                    const config::OrderFeed& feed);

// What is asked of the system and may be answered by somebody else in its place.
struct FolderAccess {
    std::function<OrError<OpenFile>(const std::string&)> open = open_folder;
    std::function<Writers(const OpenFile&)> writers = writers_of;
};

class OrderFolder {
  public:
    // `newest_number`: of the newest file on record, 0 if there is none. What is taken anew gets a higher
    // one, also where everything was moved out of the folder: number and bytes together tell a file that
    // counted.
    OrderFolder(config::OrderFeed feed, protocol::OrderFormat format, std::uint64_t newest_number,
                FolderAccess access = {})
        : feed_(std::move(feed)), format_(std::move(format)), next_number_(newest_number + 1),
          access_(std::move(access)) {}

    // Writes the answer that is due, takes the next file that is whole, and gives it. After orders were
    // offered nothing more is given until they have their answer. Call it often. Once it is told to stop it
    // changes nothing more in the folder, though the folder may have kept it waiting in between.
    [[nodiscard]] std::optional<OrderFile> look(SteadyTime now, const std::stop_token& stop = {});

    // Of the orders that were offered last, once. What was decided is safely on record. The next look writes
    // it, and if it cannot, the one after that.
    void answer(std::uint64_t number, const protocol::OrderAnswer& answer);

    // What the last look found amiss, one sentence each with a remedy; empty: all is well.
    [[nodiscard]] const std::vector<std::string>& troubles() const noexcept { return troubles_; }
    // What is no trouble but should be known; given once.
    [[nodiscard]] std::optional<std::string> take_remark() { return std::exchange(remark_, std::nullopt); }
    [[nodiscard]] const std::string& path() const noexcept { return feed_.folder; }

  private:
    struct Folders {
        OpenFile incoming;
        OpenFile taken;
        OpenFile answers;
    };
    // A file in `taken`: "000017.monday.csv".
    struct Taken {
        std::uint64_t number = 0;
        std::string name;
        auto operator<=>(const Taken&) const = default;
    };
    struct Waiting {
        FileLook look;
        SteadyTime since;  // it has looked like this
    };
    // A taken file as it was read.
    struct AsRead {
        Taken taken;
        protocol::OrderFileName file;
        FileLook look;
    };
    struct Due {
        Taken taken;
        std::string name;
        std::string bytes;
        std::optional<AsRead> accepted;
    };
    // An accepted file, looked at again: somebody may have written on.
    struct Kept {
        AsRead read;
        SteadyTime since;
        bool changed = false;
    };

    [[nodiscard]] std::optional<Folders> open_folders(const std::stop_token& stop);
    [[nodiscard]] bool know_what_is_taken(const Folders& folders);
    [[nodiscard]] bool write_answer(const Folders& folders, SteadyTime now);
    void look_at_kept(const Folders& folders, SteadyTime now);
    [[nodiscard]] bool is_written_on(const Folders& folders, AsRead& read) const;
    [[nodiscard]] std::optional<std::string> first_whole(const Folders& folders, SteadyTime now);
    [[nodiscard]] std::optional<FileLook> fit_to_wait(const Folders& folders, const std::string& name);
    [[nodiscard]] bool is_whole(const Folders& folders, const std::string& name, const Waiting& waiting,
                                SteadyTime now);
    void remark_once(const std::string& name);
    void take(const Folders& folders, const std::string& name);
    [[nodiscard]] std::optional<OrderFile> read(const Folders& folders, const Taken& taken,
                                                const std::stop_token& stop);
    [[nodiscard]] OrderFile judge(const Taken& taken, const FileLook& look, std::string_view bytes);
    [[nodiscard]] OrderFile reject(const Taken& taken, protocol::OrderFileName file,
                                   std::vector<protocol::RowFault> faults);
    void answer_due(const Taken& taken, const protocol::OrderFileName& file,
                    const protocol::OrderAnswer& answer);
    void trouble(std::string sentence) { troubles_.push_back(std::move(sentence)); }

    config::OrderFeed feed_;
    protocol::OrderFormat format_;
    std::vector<std::string> troubles_;
    std::optional<std::string> remark_;
    bool remarked_ = false;
    std::map<std::string, Waiting> waiting_;  // by name, in the order of taking
    std::optional<FileId> known_taken_;       // the folder whose files `unanswered_` holds
    std::set<Taken> unanswered_;
    std::uint64_t next_number_;  // never falls
    FolderAccess access_;
    std::optional<AsRead> offered_;
    std::optional<Due> due_;
    std::vector<Kept> kept_;  // oldest first, bounded
};

}  // namespace tautgate::links
