#include <optional>
#include <utility>

#include "config/parts.hpp"

namespace tautgate::config {

namespace {

// A scanner as the file has it: the way to it is told by its key.
struct RawScanner : Scanner {
    std::optional<std::string> called_from;
};

Shape<RawScanner> raw_scanner_shape() {
    using protocol::LabelEnd;
    return Shape<RawScanner>()
        .required("id", &RawScanner::id, Identifier{})
        .required("bay", &RawScanner::bay, Identifier{})
        .optional("peer", &RawScanner::called_from, IpAddress{})
        .optional("serial", &RawScanner::serial, serial_line_shape())
        .optional(
            "label_end", &RawScanner::label_end,
            OneOf<LabelEnd>({{"line", LabelEnd::line}, {"tab", LabelEnd::tab}, {"etx", LabelEnd::etx}}));
}

}  // namespace

Shape<SerialLine> serial_line_shape() {
    constexpr std::int64_t fastest = 4'000'000;
    return Shape<SerialLine>()
        .required("device", &SerialLine::device, Text())
        .optional("baud", &SerialLine::baud, Whole(300, fastest))
        .optional("parity", &SerialLine::parity,
                  OneOf<Parity>({{"none", Parity::none}, {"even", Parity::even}, {"odd", Parity::odd}}))
        .optional("stop_bits", &SerialLine::stop_bits, Whole(1, 2));
}

void ScannerObject::read(Errors& errors, const Node& node, const std::string& pointer, Scanner& out) const {
    const auto before = errors.count();
    RawScanner raw;
    static const auto shape = raw_scanner_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    if (raw.called_from.has_value() == raw.serial.has_value()) {
        errors.add(node, pointer,
                   raw.serial ? "the scanner has both peer and serial"
                              : "the scanner has neither peer nor serial",
                   "give peer if it calls over the network, serial if it hangs on a line of its own");
        return;
    }
    raw.peer = std::move(raw.called_from).value_or(std::string{});
    out = static_cast<Scanner&&>(raw);
}

void ScannerObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    raw_scanner_shape().list(path, keys);
}

}  // namespace tautgate::config
