#include "config/document.hpp"

#include <algorithm>
#include <charconv>
#include <iterator>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace tautgate::config {

namespace {

constexpr std::size_t size_limit = 4U << 20U;
constexpr std::size_t depth_limit = 32;
constexpr std::size_t keys_limit = 256;

// Turns offsets into lines and columns.
class Lines {
  public:
    explicit Lines(std::string_view text) {
        for (std::size_t at = 0; at < text.size(); ++at) {
            if (text[at] == '\n') {
                ends_.push_back(at);
            }
        }
    }
    [[nodiscard]] Place place(std::size_t offset) const {
        const auto line = std::lower_bound(ends_.begin(), ends_.end(), offset);
        const std::size_t begin = line == ends_.begin() ? 0 : *std::prev(line) + 1;
        return {.line = static_cast<std::size_t>(line - ends_.begin()) + 1, .column = offset - begin + 1};
    }

  private:
    std::vector<std::size_t> ends_;
};

// Hands the text to the JSON library and notes how far it has read.
class NotingIterator {
  public:
    using iterator_category = std::input_iterator_tag;
    using value_type = char;
    using difference_type = std::ptrdiff_t;
    using pointer = const char*;
    using reference = const char&;

    NotingIterator(const char* at, const char** read_to) : at_(at), read_to_(read_to) {}
    reference operator*() const { return *at_; }
    NotingIterator& operator++() {
        *read_to_ = ++at_;
        return *this;
    }
    NotingIterator operator++(int) {
        NotingIterator before = *this;
        ++*this;
        return before;
    }
    bool operator==(const NotingIterator& other) const { return at_ == other.at_; }
    bool operator!=(const NotingIterator& other) const { return at_ != other.at_; }

  private:
    const char* at_;
    const char** read_to_;
};

// "[json.exception.parse_error.101] parse error at line 3, column 5: syntax error while ..." -> "while ...".
// What was read last may be any bytes and as long as the file, so only its end is kept, in printable ASCII.
std::string without_preamble(std::string_view message) {
    for (const std::string_view mark : {"syntax error ", "number overflow parsing ", ": "}) {
        if (const auto at = message.find(mark); at != std::string_view::npos) {
            const bool too_large = mark.starts_with("number");
            message.remove_prefix(at + mark.size());
            if (too_large) {
                return fmt::format("the number {} is too large for anything here", message);
            }
            break;
        }
    }
    constexpr std::string_view last_read = "last read: '";
    constexpr std::size_t longest = 40;
    std::string out(message);
    const auto begin = out.find(last_read);
    const auto end = out.rfind('\'');
    if (begin != std::string::npos && end > begin + last_read.size() + longest) {
        out.replace(begin, end - longest - begin, "last read: '...");
    }
    std::replace_if(
        out.begin(), out.end(), [](char c) { return c < ' ' || c > '~'; }, '?');
    return out;
}

// Where a comment begins that is never closed.
std::optional<std::size_t> unclosed_comment(std::string_view text) {
    std::size_t at = 0;
    while (at < text.size()) {
        const auto two = text.substr(at, 2);
        if (two == "/*" || two == "//") {
            const auto end = text.find(two == "/*" ? "*/" : "\n", at + 2);
            if (end == std::string_view::npos) {
                return two == "/*" ? std::optional(at) : std::nullopt;
            }
            at = end + (two == "/*" ? 2 : 1);
        } else if (text[at] == '"') {
            for (++at; at < text.size() && text[at] != '"'; ++at) {
                at += text[at] == '\\' ? 1 : 0;
            }
            ++at;
        } else {
            ++at;
        }
    }
    return std::nullopt;
}

// What can be said of the whole before anything in it is read.
std::optional<SyntaxFault> fault_of_text(std::string_view text) {
    if (text.find_first_not_of(" \t\r\n") == std::string_view::npos) {
        return SyntaxFault{.place = {},
                           .what = "the file is empty",
                           .remedy = "write a station description, or start from config/larkmoor.json"};
    }
    const Lines lines(text);
    if (const auto zero = text.find('\0'); zero != std::string_view::npos) {
        return SyntaxFault{.place = lines.place(zero),
                           .what = "this is no text file in UTF-8, a byte 0 is in it"};
    }
    if (const auto begin = unclosed_comment(text)) {
        const auto place = lines.place(*begin);
        return SyntaxFault{
            .place = place,
            .what = fmt::format("the comment that begins in line {} is never closed, add */ at its end",
                                place.line)};
    }
    return std::nullopt;
}

// Builds the tree. The library reports a value as soon as it has read its last byte (of a number, one byte
// more), so what has been read tells where the value stands: no JSON token spans lines.
class TreeBuilder : public nlohmann::json_sax<nlohmann::json> {
  public:
    TreeBuilder(std::string_view text, const char* const* read_to)
        : text_(text), read_to_(read_to), lines_(text) {}

    bool null() override { return add(NodeKind::null, 4) != nullptr; }
    bool boolean(bool value) override {
        Node* node = add(NodeKind::flag, value ? 4 : 5);
        node->flag = value;
        return true;
    }
    bool number_integer(number_integer_t value) override {
        return add_number(fmt::format("{}", value), static_cast<double>(value));
    }
    bool number_unsigned(number_unsigned_t value) override {
        return add_number(fmt::format("{}", value), static_cast<double>(value));
    }
    bool number_float(number_float_t value, const string_t& digits) override {
        return add_number(digits, value);
    }
    bool string(string_t& value) override {
        add(NodeKind::text, 1)->text = std::move(value);
        return true;
    }
    bool binary(binary_t& /*value*/) override { return refuse("binary data"); }
    bool start_object(std::size_t /*size*/) override { return open(NodeKind::object); }
    bool start_array(std::size_t /*size*/) override { return open(NodeKind::list); }
    bool end_object() override { return close(); }
    bool end_array() override { return close(); }
    bool key(string_t& value) override {
        if (open_.back()->members.size() == keys_limit) {
            return refuse(fmt::format("an object has more than {} keys", keys_limit));
        }
        open_.back()->members.push_back({.key = std::move(value), .place = here(1), .value = {}});
        return true;
    }
    bool parse_error(std::size_t /*position*/, const std::string& /*last_token*/,
                     const nlohmann::json::exception& error) override {
        fault_ = SyntaxFault{.place = here(1), .what = without_preamble(error.what())};
        return false;
    }

    [[nodiscard]] Node take() { return std::move(root_); }
    [[nodiscard]] std::optional<SyntaxFault> fault() const { return fault_; }

  private:
    [[nodiscard]] Place here(std::size_t length) const {
        const auto read = static_cast<std::size_t>(*read_to_ - text_.data());
        return lines_.place(read < length ? 0 : read - length);
    }
    Node* add(NodeKind kind, std::size_t length) {
        Node* node = &root_;
        if (!open_.empty() && open_.back()->kind == NodeKind::list) {
            node = &open_.back()->items.emplace_back();
        } else if (!open_.empty()) {
            node = &open_.back()->members.back().value;
        }
        node->kind = kind;
        node->place = here(length);
        return node;
    }
    bool add_number(std::string digits, double value) {
        Node* node = add(NodeKind::number, 1);
        node->text = std::move(digits);
        node->number = value;
        return true;
    }
    bool open(NodeKind kind) {
        if (open_.size() == depth_limit) {
            return refuse(fmt::format("objects and lists nest deeper than {}", depth_limit));
        }
        open_.push_back(add(kind, 1));
        return true;
    }
    bool close() {
        open_.pop_back();
        return true;
    }
    bool refuse(std::string what) {
        fault_ = SyntaxFault{.place = here(1), .what = std::move(what)};
        return false;
    }

    std::string_view text_;
    const char* const* read_to_;
    Lines lines_;
    Node root_;
    std::vector<Node*> open_;  // only the innermost list or object grows, so these stay where they are
    std::optional<SyntaxFault> fault_;
};

// Undoes pointer_token.
std::string key_of(std::string_view token) {
    std::string key;
    for (std::size_t at = 0; at < token.size(); ++at) {
        if (token[at] == '~' && at + 1 < token.size()) {
            key += token[++at] == '1' ? '/' : '~';
        } else {
            key += token[at];
        }
    }
    return key;
}

const Node* child(const Node& node, std::string_view token) {
    if (node.kind != NodeKind::list) {
        return node.find(key_of(token));
    }
    std::size_t index = 0;
    const auto [end, fault] = std::from_chars(token.data(), token.data() + token.size(), index);
    const bool whole = fault == std::errc{} && end == token.data() + token.size();
    return whole && index < node.items.size() ? &node.items[index] : nullptr;
}

}  // namespace

const Node* Node::find(std::string_view key) const noexcept {
    const auto found = std::find_if(members.begin(), members.end(),
                                    [key](const Member& member) { return member.key == key; });
    return found == members.end() ? nullptr : &found->value;
}

std::expected<Node, SyntaxFault> parse_document(std::string_view text) {
    if (text.size() > size_limit) {
        return std::unexpected(
            SyntaxFault{.place = {},
                        .what = fmt::format("the file has {} bytes, more than the {} that are read",
                                            text.size(), size_limit)});
    }
    if (auto fault = fault_of_text(text)) {
        return std::unexpected(*std::move(fault));
    }
    const char* const first = text.data();
    const char* read_to = first;
    TreeBuilder builder(text, &read_to);
    const NotingIterator begin(first, &read_to);
    const NotingIterator end(first + text.size(), &read_to);
    constexpr bool whole_text = true;
    constexpr bool ignore_comments = true;
    const bool good = nlohmann::json::sax_parse(begin, end, &builder, nlohmann::json::input_format_t::json,
                                                whole_text, ignore_comments);
    if (auto fault = builder.fault()) {
        return std::unexpected(*std::move(fault));
    }
    if (!good) {
        return std::unexpected(SyntaxFault{.place = {}, .what = "the text cannot be read"});
    }
    return builder.take();
}

std::size_t line_of(const Node& root, std::string_view pointer) {
    const Node* node = &root;
    while (pointer.starts_with('/')) {
        const auto next = std::min(pointer.find('/', 1), pointer.size());
        const Node* inner = child(*node, pointer.substr(1, next - 1));
        if (inner == nullptr) {
            break;
        }
        node = inner;
        pointer.remove_prefix(next);
    }
    return node->place.line;
}

std::string pointer_token(std::string_view key) {
    std::string token;
    for (const char c : key) {
        switch (c) {
        case '~': token += "~0"; break;
        case '/': token += "~1"; break;
        default: token += c;
        }
    }
    return token;
}

std::string shown(std::string_view text) {
    constexpr std::size_t longest = 48;
    std::string out = "\"";
    std::size_t count = 0;
    for (const char c : text) {
        const bool begins_character = (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
        if (begins_character && count++ == longest) {
            return out + "...\"";
        }
        const bool control = static_cast<unsigned char>(c) < 0x20U || c == 0x7F;
        out += control ? '?' : c;
    }
    return out + '"';
}

std::string shown(const Node& node) {
    switch (node.kind) {
    case NodeKind::null: return "null";
    case NodeKind::flag: return node.flag ? "true" : "false";
    case NodeKind::number: return node.text;
    case NodeKind::text: return shown(std::string_view(node.text));
    case NodeKind::list: return "a list";
    case NodeKind::object: return "an object";
    }
    return "nothing";
}

}  // namespace tautgate::config
