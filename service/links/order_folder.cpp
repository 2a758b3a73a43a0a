#include "service/links/order_folder.hpp"

#include <algorithm>
#include <cassert>
#include <charconv>

#include <fmt/format.h>

#include "protocol/text.hpp"
#include "service/journal/digest.hpp"

namespace tautgate::links {

namespace {

constexpr std::string_view order_file_end = ".csv";
constexpr std::size_t longest_order_name = 200;  // room for number and outcome within the 255 of a name
constexpr std::chrono::minutes long_in_writing{1};
// Accepted files are looked at for so long: a shift's end and the next one's beginning lie within it.
constexpr std::chrono::hours kept_for{2};
constexpr std::size_t most_kept = 100;

bool is_order_name(std::string_view name) {
    if (name.starts_with('.') || name.size() <= order_file_end.size())
        return false;
    std::string end(name.substr(name.size() - order_file_end.size()));
    std::ranges::transform(
        end, end.begin(), [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
    return end == order_file_end;
}

bool is_plain_name(std::string_view name) {
    return name.size() <= longest_order_name && protocol::is_utf8(name) && !protocol::has_unseen(name);
}

std::string in_words(std::string_view name) {
    return is_plain_name(name) ? fmt::format("'{}'", name) : protocol::shown(name, longest_order_name);
}

// What stands before the first '.', if it is a number and no more.
std::optional<std::uint64_t> number_before(std::string_view name) {
    const std::string_view digits = name.substr(0, name.find('.'));
    std::uint64_t number = 0;
    const auto read = std::from_chars(digits.data(), digits.data() + digits.size(), number);
    if (digits.size() == name.size() || read.ec != std::errc() || read.ptr != digits.data() + digits.size())
        return std::nullopt;
    return number;
}

std::string name_when_taken(std::uint64_t number, std::string_view name) {
    return fmt::format("{:06}.{}", number, name);
}

std::string_view name_when_put(std::string_view taken) { return taken.substr(taken.find('.') + 1); }

// "000017.monday.csv" -> "000017.monday"
std::string_view stem_of(std::string_view name) {
    return name.substr(0, name.size() - order_file_end.size());
}

// "000017.monday.accepted.csv" -> "000017.monday"; nothing if the name is not that of an answer.
std::optional<std::string> answered_by(std::string_view name) {
    for (const std::string_view end : {".accepted.csv", ".rejected.csv"})
        if (name.ends_with(end))
            return std::string(name.substr(0, name.size() - end.size()));
    return std::nullopt;
}

std::string_view remedy_to_write(const std::error_code& why) {
    if (why == std::errc::no_space_on_device || why.value() == EDQUOT)
        return "make room on its disk";
    if (why == std::errc::read_only_file_system)
        return "make its file system writable";
    if (why == std::errc::cross_device_link)
        return "let it be a plain folder, on the file system of the order folder";
    return "let the service's user write there";
}

}  // namespace

protocol::OrderFormat order_format_of(const config::Station& station, const config::OrderFeed& feed) {
    return {.separator = feed.separator, .ticket_kinds = station.pair.ticket_kinds};
}

std::optional<OrderFile> OrderFolder::look(SteadyTime now, const std::stop_token& stop) {
    troubles_.clear();
    const auto folders = open_folders(stop);
    if (!folders || !know_what_is_taken(*folders) || stop.stop_requested() || !write_answer(*folders, now))
        return std::nullopt;
    look_at_kept(*folders, now);
    const auto whole = first_whole(*folders, now);
    if (offered_ || stop.stop_requested())
        return std::nullopt;
    if (unanswered_.empty() && whole)
        take(*folders, *whole);
    if (unanswered_.empty())
        return std::nullopt;
    return read(*folders, *unanswered_.begin(), stop);
}

void OrderFolder::answer(std::uint64_t number, const protocol::OrderAnswer& answer) {
    assert(offered_ && offered_->taken.number == number);
    answer_due(offered_->taken, offered_->file, answer);
    if (!std::holds_alternative<protocol::OrdersRejected>(answer))
        due_->accepted = *offered_;
    offered_.reset();
}

// ---- the folders ------------------------------------------------------------------------------------------

std::optional<OrderFolder::Folders> OrderFolder::open_folders(const std::stop_token& stop) {
    auto incoming = access_.open(feed_.folder);
    if (stop.stop_requested())
        return std::nullopt;
    if (!incoming) {
        trouble(
            fmt::format("the order folder '{}' cannot be opened: {}; create it for the service's user, or "
                        "correct orders/folder in the station's description",
                        feed_.folder, incoming.error().message()));
        return std::nullopt;
    }
    const auto within = [&](const char* name) -> std::optional<OpenFile> {
        auto folder = open_folder_within(*incoming, name);
        if (folder)
            return std::move(*folder);
        trouble(fmt::format("the folder '{}/{}' cannot be made or opened: {}; {}", feed_.folder, name,
                            folder.error().message(), remedy_to_write(folder.error())));
        return std::nullopt;
    };
    auto taken = within("taken");
    auto answers = within("answers");
    if (!taken || !answers)
        return std::nullopt;
    return Folders{*std::move(incoming), *std::move(taken), *std::move(answers)};
}

// Read once for each folder that comes to stand there; from then on only this class changes it.
bool OrderFolder::know_what_is_taken(const Folders& folders) {
    const auto folder = look_at(folders.taken);
    if (folder && known_taken_ == folder->id)
        return true;
    const auto taken = names_in(folders.taken);
    const auto answers = names_in(folders.answers);
    if (!folder || !taken || !answers) {
        const auto why = !folder ? folder.error() : !taken ? taken.error() : answers.error();
        trouble(fmt::format("the folders 'taken' and 'answers' of '{}' cannot be read: {}; let the service's "
                            "user read them",
                            feed_.folder, why.message()));
        return false;
    }
    unanswered_.clear();
    const auto use_up = [this](std::uint64_t number) { next_number_ = std::max(next_number_, number + 1); };
    std::set<std::string, std::less<>> answered;
    for (const std::string& name : *answers) {
        const auto number = number_before(name);
        const auto stem = answered_by(name);
        if (number && stem) {
            use_up(*number);
            answered.insert(*stem);
        }
    }
    for (const std::string& name : *taken) {
        const auto number = number_before(name);
        if (!number || !is_order_name(name))
            continue;  // nothing that was taken as an order file
        use_up(*number);
        if (!answered.contains(stem_of(name)))
            unanswered_.insert({*number, name});
    }
    known_taken_ = folder->id;
    return true;
}

// ---- incoming files ---------------------------------------------------------------------------------------

std::optional<std::string> OrderFolder::first_whole(const Folders& folders, SteadyTime now) {
    const auto names = names_in(folders.incoming);
    if (!names) {
        trouble(fmt::format("the order folder '{}' cannot be read: {}; let the service's user read it",
                            feed_.folder, names.error().message()));
        return std::nullopt;
    }
    std::map<std::string, Waiting> waiting;
    std::optional<std::string> first;
    for (const std::string& name : *names) {
        const auto look = fit_to_wait(folders, name);
        if (!look)
            continue;
        const auto before = waiting_.find(name);
        const bool stood_still = before != waiting_.end() && before->second.look == *look;
        const Waiting one{*look, stood_still ? before->second.since : now};
        waiting.emplace(name, one);
        if (is_whole(folders, name, one, now) && !first)
            first = name;
    }
    waiting_ = std::move(waiting);
    return first;
}

std::optional<FileLook> OrderFolder::fit_to_wait(const Folders& folders, const std::string& name) {
    if (!is_order_name(name))
        return std::nullopt;
    const auto look = look_at(folders.incoming, name);
    if (!look && look.error() == std::errc::no_such_file_or_directory)
        return std::nullopt;  // its sender took it back
    const auto refuse = [&](std::string_view what, std::string_view remedy) {
        trouble(fmt::format("{} in '{}' {}; {}", in_words(name), feed_.folder, what, remedy));
        return std::nullopt;
    };
    if (!look)
        return refuse(fmt::format("cannot be looked at: {}", look.error().message()),
                      "let the service's user read it");
    switch (look->kind) {
    case FileKind::link: return refuse("is a symbolic link", "put the file itself there");
    case FileKind::other: return refuse("is no regular file", "put it elsewhere");
    case FileKind::regular: break;
    }
    if (!is_plain_name(name))
        return refuse("has a name that cannot be written into a record",
                      "name it in at most 200 bytes of visible UTF-8");
    return *look;
}

bool OrderFolder::is_whole(const Folders& folders, const std::string& name, const Waiting& waiting,
                           SteadyTime now) {
    if (now - waiting.since < feed_.still_for)
        return false;
    const auto file = open_to_read(folders.incoming, name);
    if (!file) {
        trouble(fmt::format("{} in '{}' cannot be read: {}; make it readable for the service's user",
                            in_words(name), feed_.folder, file.error().message()));
        return false;
    }
    const Writers writers = access_.writers(*file);
    if (writers == Writers::unknown)
        remark_once(name);
    if (writers == Writers::some) {
        if (now - waiting.since >= long_in_writing)
            trouble(fmt::format("{} in '{}' is still open for writing though nothing is written; close it in "
                                "the program that writes it",
                                in_words(name), feed_.folder));
        return false;
    }
    return true;
}

void OrderFolder::remark_once(const std::string& name) {
    if (std::exchange(remarked_, true))
        return;
    remark_ = fmt::format(
        "whether somebody still writes {} in '{}' cannot be found out, since the file is another user's, or "
        "on a file system that does not say; such files are taken when they have stood still: let the sender "
        "write under another name and rename, or give the service the capability CAP_LEASE",
        in_words(name), feed_.folder);
}

void OrderFolder::take(const Folders& folders, const std::string& name) {
    const Taken taken{next_number_, name_when_taken(next_number_, name)};
    if (const auto error = move_file(folders.incoming, name, folders.taken, taken.name)) {
        // Somebody else put something there: it is read anew.
        if (error == std::errc::file_exists)
            known_taken_.reset();
        else if (error != std::errc::no_such_file_or_directory)  // its sender took it back
            trouble(fmt::format("{} cannot be moved from '{}' to its folder 'taken': {}; {}", in_words(name),
                                feed_.folder, error.message(), remedy_to_write(error)));
        return;
    }
    // A move that a power cut undoes is made again, and whoever decides knows the file by its SHA-256.
    (void)sync_folder(folders.taken);
    (void)sync_folder(folders.incoming);
    ++next_number_;
    unanswered_.insert(taken);
    waiting_.erase(name);
}

// ---- taken files ------------------------------------------------------------------------------------------

std::optional<OrderFile> OrderFolder::read(const Folders& folders, const Taken& taken,
                                           const std::stop_token& stop) {
    const auto wait = [&](std::string_view what, std::string_view remedy) {
        trouble(fmt::format("{} in '{}/taken' {}; {}; the files behind it wait", in_words(taken.name),
                            feed_.folder, what, remedy));
        return std::nullopt;
    };
    const auto cannot = [&](const std::error_code& why) {
        return wait(fmt::format("cannot be read: {}", why.message()),
                    "make it readable for the service's user");
    };
    const auto file = open_to_read(folders.taken, taken.name);
    if (!file) {
        if (file.error() == std::errc::no_such_file_or_directory)
            known_taken_.reset();
        return cannot(file.error());
    }
    const auto before = look_at(*file);
    if (!before)
        return cannot(before.error());
    const std::string name(name_when_put(taken.name));
    if (before->kind != FileKind::regular)
        return reject(taken, {name, ""}, {{0, "it is no regular file", "send the rows in a file"}});
    if (before->size > protocol::order_limits.bytes)
        return reject(
            taken, {name, ""},
            {{0,
              fmt::format("the file has {} bytes, more than {}", before->size, protocol::order_limits.bytes),
              "divide it into several files"}});
    const auto bytes = read_up_to(*file, before->size + 1);
    if (!bytes)
        return cannot(bytes.error());
    const auto after = look_at(*file);
    if (access_.writers(*file) == Writers::some || !after || *after != *before ||
        bytes->size() != before->size)
        return wait("is still being written", "close it in the program that writes it, and send a new file");
    if (stop.stop_requested())
        return std::nullopt;
    return judge(taken, *before, *bytes);
}

OrderFile OrderFolder::judge(const Taken& taken, const FileLook& look, std::string_view bytes) {
    protocol::OrderFileName file{std::string(name_when_put(taken.name)),
                                 journal::hex(journal::sha256(bytes))};
    auto orders = protocol::read_orders(bytes, format_);
    if (!orders)
        return reject(taken, std::move(file), std::move(orders.error()));
    offered_ = AsRead{taken, file, look};
    return OrdersOffered{taken.number, std::move(file), *std::move(orders)};
}

OrderFile OrderFolder::reject(const Taken& taken, protocol::OrderFileName file,
                              std::vector<protocol::RowFault> faults) {
    answer_due(taken, file, protocol::OrdersRejected{faults});
    return OrdersMisread{taken.number, std::move(file), std::move(faults)};
}

// ---- answers ----------------------------------------------------------------------------------------------

void OrderFolder::answer_due(const Taken& taken, const protocol::OrderFileName& file,
                             const protocol::OrderAnswer& answer) {
    due_ =
        Due{.taken = taken,
            .name = fmt::format("{}.{}{}", stem_of(taken.name), protocol::outcome_of(answer), order_file_end),
            .bytes = protocol::answer_csv(file, answer, feed_.separator),
            .accepted = std::nullopt};
}

bool OrderFolder::write_answer(const Folders& folders, SteadyTime now) {
    if (!due_)
        return true;
    auto error = write_whole(folders.answers, due_->name, due_->bytes);
    // It stands there since an earlier attempt, which did not live to see it safely on the disk.
    if (error == std::errc::file_exists)
        error = sync_folder(folders.answers);
    if (error) {
        trouble(
            fmt::format("the answer '{}' cannot be written into '{}/answers': {}; {}; the next order file "
                        "waits",
                        due_->name, feed_.folder, error.message(), remedy_to_write(error)));
        return false;
    }
    unanswered_.erase(due_->taken);
    if (due_->accepted)
        kept_.push_back({*std::move(due_->accepted), now});
    if (kept_.size() > most_kept)
        kept_.erase(kept_.begin());
    due_.reset();
    return true;
}

// ---- accepted files ---------------------------------------------------------------------------------------

// Where the system does not say who writes, a file that stood still may not have been whole.
void OrderFolder::look_at_kept(const Folders& folders, SteadyTime now) {
    std::erase_if(kept_, [&](Kept& kept) {
        const auto look = look_at(folders.taken, kept.read.taken.name);
        if (!look && look.error() == std::errc::no_such_file_or_directory)
            return true;  // cleared up
        kept.changed = kept.changed || (look && *look != kept.read.look && is_written_on(folders, kept.read));
        if (kept.changed)
            trouble(fmt::format("{} in '{}/taken' was written to after it was taken, and what was written "
                                "then does not count; "
                                "hand the whole file in again, and move this one away with its answer",
                                in_words(kept.read.taken.name), feed_.folder));
        return !kept.changed && now - kept.since > kept_for;
    });
}

// Its time may be new and its bytes the same: then it is known by the new time.
bool OrderFolder::is_written_on(const Folders& folders, AsRead& read) const {
    const auto file = open_to_read(folders.taken, read.taken.name);
    if (!file)
        return false;
    const auto look = look_at(*file);
    if (!look || *look == read.look)
        return false;
    if (look->kind != FileKind::regular || look->size != read.look.size)
        return true;
    const auto bytes = read_up_to(*file, look->size);
    if (!bytes)
        return false;
    read.look = *look;
    return journal::hex(journal::sha256(*bytes)) != read.file.sha256;
}

}  // namespace tautgate::links
