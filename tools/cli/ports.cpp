#include "tools/cli/ports.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <fstream>
#include <optional>
#include <string_view>
#include <system_error>
#include <utility>
#include <variant>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <grp.h>
#include <nlohmann/json.hpp>
#include <pwd.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tools/cli/description.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace fs = std::filesystem;
using nlohmann::json;

namespace {

// ---- accounts -----------------------------------------------------------------------------------------

// Room for one entry of the account files.
using EntryText = std::array<char, 16384>;

std::string name_of_user(uid_t uid) {
    EntryText text{};
    passwd entry{};
    passwd* found = nullptr;
    getpwuid_r(uid, &entry, text.data(), text.size(), &found);
    return found == nullptr ? std::to_string(uid) : std::string(found->pw_name);
}

std::string name_of_group(gid_t gid) {
    EntryText text{};
    group entry{};
    group* found = nullptr;
    getgrgid_r(gid, &entry, text.data(), text.size(), &found);
    return found == nullptr ? std::to_string(gid) : std::string(found->gr_name);
}

std::vector<gid_t> groups_of(const passwd& entry) {
    int count = 64;
    std::vector<gid_t> groups(static_cast<std::size_t>(count));
    if (getgrouplist(entry.pw_name, entry.pw_gid, groups.data(), &count) < 0) {
        groups.resize(static_cast<std::size_t>(count));
        getgrouplist(entry.pw_name, entry.pw_gid, groups.data(), &count);
    }
    groups.resize(static_cast<std::size_t>(count));
    return groups;
}

// ---- devices ------------------------------------------------------------------------------------------

// Without the root, as the system names it.
std::string outside(const fs::path& root, const fs::path& path) {
    return "/" + path.lexically_relative(root).string();
}

std::vector<fs::path> files_in(const fs::path& folder) {
    std::vector<fs::path> files;
    std::error_code none;
    for (fs::directory_iterator at(folder, none), end; !none && at != end; at.increment(none))
        files.push_back(at->path());
    std::ranges::sort(files);
    return files;
}

// Many PCs name serial ports that they do not have: the kernel gives those the type 0.
bool is_phantom(const fs::path& root, const std::string& name) {
    std::ifstream file(root / "sys/class/tty" / name / "type");
    std::string type;
    return std::getline(file, type) && type == "0";
}

bool is_serial(const fs::path& root, const std::string& name) {
    constexpr std::array<std::string_view, 3> kinds{"ttyS", "ttyUSB", "ttyACM"};
    return std::ranges::any_of(kinds,
                               [&](std::string_view kind) {
                                   return name.starts_with(kind) && name.size() > kind.size() &&
                                          std::ranges::all_of(name.substr(kind.size()),
                                                              [](char c) { return c >= '0' && c <= '9'; });
                               }) &&
           !is_phantom(root, name);
}

// Where a name leads to; itself if it leads nowhere.
fs::path led_to(const fs::path& name) {
    std::error_code nowhere;
    auto target = fs::canonical(name, nowhere);
    return nowhere ? name : target;
}

void take_rights(SerialPort& port, const fs::path& file, const PortUser& user) {
    struct stat found {};
    if (::stat(file.c_str(), &found) != 0)
        return;
    port.owner = name_of_user(found.st_uid);
    port.group = name_of_group(found.st_gid);
    port.mode = found.st_mode & 0777U;
    const bool in_group = std::ranges::find(user.groups, found.st_gid) != user.groups.end();
    const unsigned shift = found.st_uid == user.uid ? 6 : in_group ? 3 : 0;
    constexpr unsigned read_and_write = 6;
    port.may_open = user.uid == 0 || ((port.mode >> shift) & read_and_write) == read_and_write;
}

// ---- who uses them --------------------------------------------------------------------------------------

struct Use {
    std::string device;
    std::string by;
};

std::vector<Use> uses_of(const config::Station& station) {
    std::vector<Use> uses;
    for (const config::Tool& tool : station.tools) {
        const auto* link = std::get_if<config::RegisterLink>(&tool.link);
        if (link != nullptr && link->serial)
            uses.push_back({link->serial->device, "tool " + tool.id});
        const auto* frames = std::get_if<config::FrameLink>(&tool.link);
        if (const auto* line = frames == nullptr ? nullptr : std::get_if<config::SerialLine>(&frames->way))
            uses.push_back({line->device, "tool " + tool.id});
    }
    for (const config::IoModule& module : station.io)
        if (module.serial)
            uses.push_back({module.serial->device, "module " + module.id});
    for (const config::Scanner& scanner : station.scanners)
        if (scanner.serial)
            uses.push_back({scanner.serial->device, "scanner " + scanner.id});
    return uses;
}

// A terminal that a program made: /dev/pts/3, whatever name leads there.
bool is_pseudo_terminal(const fs::path& root, const fs::path& file) {
    const std::string device = outside(root, file);
    return device.starts_with("/dev/pts/") && device != "/dev/pts/ptmx";
}

MissingPort missing_at(const fs::path& root, const Use& use, const PortUser& user) {
    const fs::path file = led_to(root / fs::path(use.device).relative_path());
    MissingPort missing{.device = use.device, .used_by = use.by};
    std::error_code unknown;
    if (!fs::exists(file, unknown))
        return missing;
    missing.what = is_pseudo_terminal(root, file) ? NotAPort::pseudo_terminal : NotAPort::no_serial_line;
    SerialPort rights;
    take_rights(rights, file, user);
    missing.may_open = rights.may_open;
    return missing;
}

void note_use(PortList& list, const fs::path& root, const Use& use, const PortUser& user) {
    const std::string device = outside(root, led_to(root / fs::path(use.device).relative_path()));
    const auto port = std::ranges::find(list.ports, device, &SerialPort::device);
    if (port == list.ports.end()) {
        list.missing.push_back(missing_at(root, use, user));
        return;
    }
    port->used_by.push_back(use.by);
    const bool by_lasting_name =
        std::ranges::find(port->names, use.device) != port->names.end() || port->names.empty();
    if (port->remedy.empty() && !by_lasting_name)
        port->remedy = fmt::format("name it {} in the description: {} may be another one after a start",
                                   port->names.front(), use.device);
}

std::string rights_text(unsigned mode) {
    std::string text;
    for (const unsigned shift : {6U, 3U, 0U}) {
        text += ((mode >> shift) & 4U) != 0 ? 'r' : '-';
        text += ((mode >> shift) & 2U) != 0 ? 'w' : '-';
    }
    return text;
}

std::string_view word_of(NotAPort what) {
    switch (what) {
    case NotAPort::not_there: return "not_there";
    case NotAPort::no_serial_line: return "no_serial_line";
    case NotAPort::pseudo_terminal: return "pseudo_terminal";
    }
    std::unreachable();
}

bool is_usable(const MissingPort& port) { return port.what == NotAPort::pseudo_terminal && port.may_open; }

bool fits(const PortList& list) {
    return std::ranges::all_of(list.missing, is_usable) &&
           std::ranges::all_of(list.ports,
                               [](const SerialPort& port) { return port.used_by.empty() || port.may_open; });
}

}  // namespace

std::optional<PortUser> port_user(const std::string& name) {
    EntryText text{};
    passwd entry{};
    passwd* found = nullptr;
    if (name.empty())
        getpwuid_r(geteuid(), &entry, text.data(), text.size(), &found);
    else
        getpwnam_r(name.c_str(), &entry, text.data(), text.size(), &found);
    if (found == nullptr)
        return std::nullopt;
    return PortUser{found->pw_name, found->pw_uid, groups_of(*found)};
}

// Being in the group helps where the group may read and write, and the user is not in it yet. Nobody is put
// into root's group for the sake of a device: it opens much else.
std::string remedy_for(const SerialPort& port, const PortUser& user) {
    constexpr unsigned group_reads_and_writes = 0060;
    if (port.group == "root")
        return fmt::format("give the device a group of its own by a rule of udev, and add {} to that group",
                           user.name);
    const bool group_helps =
        (port.mode & group_reads_and_writes) == group_reads_and_writes && port.owner != user.name;
    return group_helps ? fmt::format("sudo usermod -aG {} {}; it holds from the next log-in, or start of the "
                                     "service, on",
                                     port.group, user.name)
                       : fmt::format("sudo chmod g+rw {}; for good by a rule of udev", port.device);
}

PortList serial_ports(const fs::path& root, const PortUser& user, const config::Station* station) {
    PortList list;
    const auto port_at = [&](const fs::path& file) -> SerialPort& {
        const std::string device = outside(root, led_to(file));
        const auto known = std::ranges::find(list.ports, device, &SerialPort::device);
        if (known != list.ports.end())
            return *known;
        SerialPort& port = list.ports.emplace_back();
        port.device = device;
        take_rights(port, file, user);
        if (!port.may_open)
            port.remedy = remedy_for(port, user);
        return port;
    };
    for (const fs::path& file : files_in(root / "dev"))
        if (is_serial(root, file.filename().string()))
            port_at(file);
    for (const char* folder : {"dev/serial/by-path", "dev/serial/by-id"})
        for (const fs::path& link : files_in(root / folder))
            port_at(link).names.push_back(outside(root, link));
    if (station == nullptr)
        return list;
    for (const Use& use : uses_of(*station))
        note_use(list, root, use, user);
    for (SerialPort& port : list.ports)
        if (port.used_by.empty())
            port.remedy.clear();  // whether it may be opened does not matter
    return list;
}

json ports_json(const PortList& list, const PortUser& user) {
    json ports = json::array();
    for (const SerialPort& port : list.ports)
        ports.push_back({{"device", port.device},
                         {"names", port.names},
                         {"owner", port.owner},
                         {"group", port.group},
                         {"mode", fmt::format("{:03o}", port.mode)},
                         {"may_open", port.may_open},
                         {"used_by", port.used_by},
                         {"remedy", port.remedy.empty() ? json(nullptr) : json(port.remedy)}});
    json missing = json::array();
    for (const MissingPort& port : list.missing)
        missing.push_back({{"device", port.device},
                           {"used_by", port.used_by},
                           {"what", word_of(port.what)},
                           {"may_open", port.may_open}});
    return {{"user", user.name}, {"ports", std::move(ports)}, {"missing", std::move(missing)}};
}

namespace {

std::string missing_words(const MissingPort& port, const PortUser& user) {
    const std::string by = plain(port.used_by);
    switch (port.what) {
    case NotAPort::not_there:
        return fmt::format("{} would use it and it is not there; check the cable, the adapter and the name",
                           by);
    case NotAPort::no_serial_line:
        return fmt::format("{} would use it and it is there, but it is no serial line that is known here; "
                           "name one of those that tautgate ports lists",
                           by);
    case NotAPort::pseudo_terminal:
        return port.may_open
                   ? fmt::format(
                         "{} uses it; it is a pseudo-terminal, behind which is a program and no cable", by)
                   : fmt::format("{} would use it; it is a pseudo-terminal that {} must not open: let the "
                                 "program behind it run under that user",
                                 by, plain(user.name));
    }
    std::unreachable();
}

}  // namespace

std::string ports_text(const PortList& list, const PortUser& user, Style style) {
    Table table{
        {"device", "owner", "group", "rights", user.name + " may open it", "used by", "lasting names"}};
    for (const SerialPort& port : list.ports)
        table.row({{port.device},
                   {port.owner},
                   {port.group},
                   {rights_text(port.mode)},
                   {port.may_open ? "yes" : "no", port.may_open ? Colour::green : Colour::red},
                   {port.used_by.empty() ? "-" : fmt::format("{}", fmt::join(port.used_by, ", "))},
                   {port.names.empty() ? "-" : fmt::format("{}", fmt::join(port.names, ", "))}});
    std::string text =
        table.empty() ? "This computer has no serial port\n" : table.text(style.colours, 0, style.screen);
    for (const SerialPort& port : list.ports)
        if (!port.remedy.empty())
            text += fmt::format("{}: {}\n", plain(port.device), plain(port.remedy));
    for (const MissingPort& port : list.missing)
        text += fmt::format("{}: {}\n", plain(port.device), missing_words(port, user));
    return text;
}

Asked<Exit> show_ports(const Desk& desk, const std::string& file, const std::string& user) {
    const auto who = port_user(user);
    if (!who)
        return std::unexpected(Failure{
            Exit::wrong_usage,
            fmt::format("'{}' has no account on this computer; name the user under whom tautgated runs",
                        plain(user))});
    std::optional<config::Station> station;
    if (!file.empty()) {
        auto read = description_in(file, "it has mistakes, so that nobody can say which ports it uses");
        if (!read)
            return std::unexpected(read.error());
        station = std::move(*read);
    }
    const PortList list = serial_ports("/", *who, station ? &*station : nullptr);
    if (desk.json)
        print_json(ports_json(list, *who));
    else
        print(ports_text(list, *who, desk.style));
    return fits(list) ? Exit::fine : Exit::no;
}

}  // namespace tautgate::cli
