// A folder for order files that vanishes with the test, and what a sender does in it.
#pragma once

#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>
#include <string>

#include <stdlib.h>
#include <unistd.h>

#include <catch2/catch.hpp>

#include "service/links/order_folder.hpp"

namespace tautgate::links::testing {

inline constexpr std::string_view one_order = "action,order,variant\r\nadd,40017,plain\r\n";
// sha256sum (GNU coreutils) of these bytes.
inline constexpr std::string_view one_order_sha256 =
    "ce7c2ea449099463417200e31d37dd2848848ac428a0c4d33932a594e1e974b9";

class OrderStand {
  public:
    OrderStand() {
        std::string name = std::filesystem::temp_directory_path() / "orders-XXXXXX";
        REQUIRE(::mkdtemp(name.data()) != nullptr);
        folder = name;
    }
    ~OrderStand() {
        std::error_code ignored;
        std::filesystem::permissions(folder, std::filesystem::perms::owner_all, ignored);
        std::filesystem::remove_all(folder, ignored);
    }
    OrderStand(const OrderStand&) = delete;
    OrderStand& operator=(const OrderStand&) = delete;
    OrderStand(OrderStand&&) = delete;
    OrderStand& operator=(OrderStand&&) = delete;

    [[nodiscard]] config::OrderFeed feed() const {
        return {.folder = folder, .separator = protocol::Separator::comma, .still_for = still_for};
    }
    [[nodiscard]] OrderFolder order_folder(std::uint64_t newest_number = 0, FolderAccess access = {}) const {
        return {feed(),
                {.separator = protocol::Separator::comma, .ticket_kinds = {"D", "F"}},
                newest_number,
                std::move(access)};
    }
    void put(const std::string& name, std::string_view bytes = one_order) const {
        std::ofstream(folder / name, std::ios::binary) << bytes;
    }
    [[nodiscard]] std::string bytes_of(const std::string& name) const {
        std::ifstream in(folder / name, std::ios::binary);
        REQUIRE(in.is_open());
        return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    }
    // Names below the folder, "taken/000001.monday.csv"; folders left out.
    [[nodiscard]] std::set<std::string> files() const {
        std::set<std::string> names;
        for (const auto& entry : std::filesystem::recursive_directory_iterator(folder))
            if (!entry.is_directory())
                names.insert(entry.path().lexically_relative(folder));
        return names;
    }

    static constexpr std::chrono::milliseconds still_for{100};
    std::filesystem::path folder;
};

// Whoever runs the tests may be the superuser, whom no permission stops.
class AsNobody {
  public:
    AsNobody() {
        if (::geteuid() == 0)
            REQUIRE(::seteuid(nobody) == 0);
    }
    ~AsNobody() {
        if (::getuid() == 0 && ::seteuid(0) != 0)
            ::abort();
    }
    AsNobody(const AsNobody&) = delete;
    AsNobody& operator=(const AsNobody&) = delete;
    AsNobody(AsNobody&&) = delete;
    AsNobody& operator=(AsNobody&&) = delete;

  private:
    static constexpr uid_t nobody = 65534;
};

}  // namespace tautgate::links::testing
