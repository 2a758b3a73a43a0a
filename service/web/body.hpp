// Reads the JSON object that a request carries, strictly: every member is asked for by name and kind, and a
// member that nobody asked for is refused. So no caller can slip in "by": 3 and believe that it counted. The
// first fault stays; reading on after it gives empty values. Used by web/*.cpp only.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json.hpp>

#include "service/people/secret.hpp"
#include "service/web/http.hpp"

namespace tautgate::web {

class Body {
  public:
    // A text that is no JSON object gives a body with a fault.
    [[nodiscard]] static Body parse(std::string_view text);
    Body(nlohmann::json object, std::string pointer);

    // Texts are UTF-8 of at most `most` bytes and, unless optional, not empty.
    [[nodiscard]] std::string text(const std::string& key, std::size_t most = 400);
    [[nodiscard]] std::optional<std::string> optional_text(const std::string& key, std::size_t most = 400);
    // A label as a scanner types it: with the separators that labels have, which are control characters.
    [[nodiscard]] std::string label(const std::string& key, std::size_t most);
    [[nodiscard]] people::Secret secret(const std::string& key);
    [[nodiscard]] std::uint64_t number(const std::string& key);
    [[nodiscard]] std::optional<std::uint64_t> optional_number(const std::string& key);
    [[nodiscard]] std::vector<std::string> texts(const std::string& key);
    [[nodiscard]] Body object(const std::string& key);
    [[nodiscard]] std::vector<Body> objects(const std::string& key, std::size_t most);
    [[nodiscard]] bool has(const std::string& key) const;
    // The names of all members, sorted.
    [[nodiscard]] std::vector<std::string> keys() const;

    void refuse(const std::string& key, std::string why, std::string remedy);
    // Adds the other's fault, if this has none.
    void join(const Body& inner);
    // The first fault, or a member that nobody asked for.
    [[nodiscard]] std::optional<Problem> fault() const;

    // Overwrites every text in it; for bodies that carry a secret.
    void wipe();

  private:
    [[nodiscard]] std::optional<std::string> text_without(const std::string& key, std::size_t most,
                                                          bool (*is_refused)(std::string_view));
    nlohmann::json* find(const std::string& key);
    // An empty key stands for the object itself.
    [[nodiscard]] std::string pointer_to(const std::string& key) const {
        return key.empty() ? pointer_ : pointer_ + "/" + key;
    }
    void missing(const std::string& key, std::string_view kind);

    nlohmann::json object_;
    std::string pointer_;
    std::set<std::string> asked_;
    std::optional<Problem> fault_;
};

}  // namespace tautgate::web
