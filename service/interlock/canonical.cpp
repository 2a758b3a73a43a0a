#include "service/interlock/canonical.hpp"

namespace tautgate::interlock {
namespace {

constexpr char format = 1;
constexpr std::size_t head_size = 9;  // format byte and fingerprint, low byte first

template <class Type>
std::string with_head(const Type& value) {
    std::string out(1, format);
    for (unsigned i = 0; i < 8; ++i)
        out.push_back(static_cast<char>(canonical_parts::shape_of<Type> >> (8 * i)));
    canonical(value, out);
    return out;
}

template <class Type>
std::expected<Type, std::string> from_headed(std::string_view bytes) {
    if (bytes.size() < head_size)
        return std::unexpected("the bytes end before their head does");
    if (bytes[0] != format)
        return std::unexpected("the bytes are of format " +
                               std::to_string(static_cast<unsigned char>(bytes[0])) +
                               ", this program reads format " + std::to_string(format));
    std::uint64_t shape = 0;
    for (unsigned i = 0; i < 8; ++i)
        shape |= static_cast<std::uint64_t>(static_cast<std::uint8_t>(bytes[1 + i])) << (8 * i);
    if (shape != canonical_parts::shape_of<Type>)
        return std::unexpected("the bytes were written by a program version with other fields");
    return read_canonical<Type>(bytes.substr(head_size));
}

}  // namespace

std::string canonical_bytes(const State& state) { return with_head(state); }
std::string canonical_bytes(const Event& event) { return with_head(event); }
std::string canonical_bytes(const Record& record) { return with_head(record); }

std::expected<State, std::string> state_from(std::string_view bytes) { return from_headed<State>(bytes); }
std::expected<Event, std::string> event_from(std::string_view bytes) { return from_headed<Event>(bytes); }

}  // namespace tautgate::interlock
