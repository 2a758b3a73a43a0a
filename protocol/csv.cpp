#include "protocol/csv.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";

// Control characters other than the two of which a line break within quotes consists.
bool is_foreign(char c) {
    const auto byte = static_cast<unsigned char>(c);
    return (byte < 0x20 && c != '\r' && c != '\n') || byte == 0x7F;
}

class CsvReader {
  public:
    CsvReader(std::string_view bytes, Separator separator, const CsvLimits& limits)
        : bytes_(bytes), ends_plain_({sign_of(separator), '"', '\r', '\n'}), separator_(sign_of(separator)),
          limits_(limits) {}

    CsvText read() {
        if (is_readable()) {
            if (bytes_.starts_with(byte_order_mark))
                at_ = byte_order_mark.size();
            while (at_ < bytes_.size() && !is_full())
                read_record();
        }
        return std::move(text_);
    }

  private:
    bool is_readable() {
        if (bytes_.size() > limits_.bytes)
            refuse(0, fmt::format("the file has {} bytes, more than {}", bytes_.size(), limits_.bytes),
                   "divide it into several files");
        else if (bytes_.starts_with("\xFF\xFE") || bytes_.starts_with("\xFE\xFF"))
            refuse(0, "the file is UTF-16", "save it as CSV in UTF-8");
        return text_.faults.empty();
    }
    bool is_full() {
        if (text_.faults.size() == limits_.faults)
            refuse(line_, fmt::format("reading stopped here, after {} mistakes", limits_.faults),
                   "correct those first");
        else if (text_.records.size() == limits_.records)
            refuse(line_, fmt::format("the file has more than {} rows", limits_.records),
                   "divide it into several files");
        else
            return false;
        return true;
    }
    void refuse(std::size_t line, std::string what, std::string remedy) {
        text_.faults.push_back({line, std::move(what), std::move(remedy)});
    }
    // Of the record in hand; only its first mistake is told, since the others may follow from it.
    void mar(std::string what, std::string remedy) {
        if (!std::exchange(is_marred_, true))
            refuse(record_.line, std::move(what), std::move(remedy));
    }
    // The same where nobody knows how the row goes on: the rest of the line is left out.
    void break_off(std::string what, std::string remedy) {
        mar(std::move(what), std::move(remedy));
        at_ = std::min(bytes_.find('\n', at_), bytes_.size());
    }
    [[nodiscard]] bool is_at(std::string_view next) const { return bytes_.substr(at_).starts_with(next); }
    [[nodiscard]] bool is_at_end() const { return at_ == bytes_.size() || is_at("\n") || is_at("\r\n"); }
    [[nodiscard]] std::size_t field_number() const { return record_.fields.size() + 1; }

    void read_record() {
        const std::size_t begin = at_;
        record_ = {line_, {}};
        is_marred_ = false;
        read_field();
        while (!is_at_end()) {
            ++at_;  // the separator
            read_field();
        }
        at_ = std::min(bytes_.find('\n', at_), bytes_.size() - 1) + 1;
        line_ += static_cast<std::size_t>(std::ranges::count(bytes_.substr(begin, at_ - begin), '\n'));
        if (!is_marred_)
            text_.records.push_back(std::move(record_));
    }
    // Afterwards the reader stands at a separator or at the end of the row.
    void read_field() {
        const bool is_quoted = is_at("\"");
        std::string field = is_quoted ? quoted() : plain();
        if (is_at_end() || is_at({&separator_, 1}))
            return keep(std::move(field));
        if (is_quoted)
            break_off(fmt::format("something follows the quote that closes field {}", field_number()),
                      "put the whole field in quotes and write a quote within it twice");
        else if (is_at("\""))
            break_off(
                fmt::format("there is a quote in field {}, which does not begin with one", field_number()),
                "put the whole field in quotes and write a quote within it twice");
        else
            break_off("there is a carriage return that no line feed follows",
                      "end each line with CR LF or LF");
    }
    std::string plain() {
        const std::size_t begin = at_;
        at_ = std::min(bytes_.find_first_of(ends_plain_, begin), bytes_.size());
        return std::string(bytes_.substr(begin, at_ - begin));
    }
    std::string quoted() {
        std::string field;
        while (true) {
            const std::size_t begin = at_ + 1;
            const std::size_t end = bytes_.find('"', begin);
            if (end == std::string_view::npos) {
                at_ = bytes_.size();
                mar(fmt::format("the quote that opens field {} is never closed", field_number()),
                    "close it, and write a quote within the field twice");
                return field;
            }
            field += bytes_.substr(begin, end - begin);
            at_ = end + 1;
            if (!is_at("\""))
                return field;
            field += '"';  // it stood there twice
        }
    }
    void keep(std::string field) {
        if (record_.fields.size() == limits_.fields)
            mar(fmt::format("the row has more than {} fields", limits_.fields),
                "remove what does not belong into it");
        else if (field.size() > limits_.field_bytes)
            mar(fmt::format("field {} is longer than {} bytes", field_number(), limits_.field_bytes),
                "shorten it, and see that no quote is missing");
        else if (std::ranges::any_of(field, is_foreign))
            mar(fmt::format("field {}, {}, holds a control character", field_number(), shown(field)),
                "remove it");
        else if (!is_utf8(field))
            mar(fmt::format("field {}, {}, is not UTF-8", field_number(), shown(field)),
                "save the file in UTF-8");
        else
            record_.fields.push_back(std::move(field));
    }

    std::string_view bytes_;
    std::string ends_plain_;
    char separator_;
    CsvLimits limits_;
    std::size_t at_ = 0;
    std::size_t line_ = 1;
    CsvRecord record_;
    bool is_marred_ = false;
    CsvText text_;
};

// Also what is not ASCII, so that no field is ever taken for a byte order mark.
bool needs_quotes(std::string_view field, char separator) {
    return std::ranges::any_of(field, [separator](char c) {
        return c == separator || c == '"' || c == '\r' || c == '\n' || static_cast<unsigned char>(c) >= 0x80;
    });
}

std::string in_quotes(std::string_view field) {
    std::string out = "\"";
    for (const char c : field)
        out.append(c == '"' ? 2 : 1, c);
    return out + '"';
}

}  // namespace

CsvText read_csv(std::string_view bytes, Separator separator, const CsvLimits& limits) {
    return CsvReader(bytes, separator, limits).read();
}

std::string csv_line(const std::vector<std::string>& fields, Separator separator) {
    const char sign = sign_of(separator);
    std::string out;
    for (const std::string& field : fields) {
        if (&field != &fields.front())
            out += sign;
        out += needs_quotes(field, sign) ? in_quotes(field) : field;
    }
    return out + "\r\n";
}

}  // namespace tautgate::protocol
