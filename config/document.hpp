// The text of a configuration file as a tree in which every value knows its line: the JSON library reads the
// text, this keeps what its own tree forgets (where a value stood, keys that stand twice, how a number was
// written). Comments (// and /* */) are allowed. Text that is no JSON, nests deeper than 32, has more than
// 256 keys in one object or is larger than 4 MiB is refused. Pure; any thread. The tree lives in the Document
// and ends with it.
#pragma once

#include <cstddef>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tautgate::config {

// Lines and columns count from 1; columns count bytes.
struct Place {
    std::size_t line = 1;
    std::size_t column = 1;
};

enum class NodeKind { null, flag, number, text, list, object };

struct Member;

struct Node {
    NodeKind kind = NodeKind::null;
    bool flag = false;
    std::string text;   // of a text: its value; of a number: its digits
    double number = 0;  // of a number
    std::vector<Node> items;
    std::vector<Member> members;  // in the order of the file, a key that stands twice included
    Place place;

    // The first member of that key; nullptr where there is none or this is no object.
    [[nodiscard]] const Node* find(std::string_view key) const noexcept;
};

struct Member {
    std::string key;
    Place place;
    Node value;
};

struct SyntaxFault {
    Place place;
    std::string what;
    std::string remedy = "mend the text at or just before this place";
};

[[nodiscard]] std::expected<Node, SyntaxFault> parse_document(std::string_view text);

// The line of the value that a JSON pointer (RFC 6901) names; of its nearest existing parent where it is
// missing itself.
[[nodiscard]] std::size_t line_of(const Node& root, std::string_view pointer);

// A key as one token of a JSON pointer ("~" and "/" escaped).
[[nodiscard]] std::string pointer_token(std::string_view key);

// The value as it is named in a message: "\"abc\"", "41", "a list". Long texts are cut, control characters
// are replaced.
[[nodiscard]] std::string shown(const Node& node);
[[nodiscard]] std::string shown(std::string_view text);

}  // namespace tautgate::config
