#include "service/journal/person_marks.hpp"

#include <array>

#include <sodium.h>

#include "service/journal/digest.hpp"

namespace tautgate::journal {

std::string mark_of(const PersonName& name) {
    return hex(sha256("tautgate name 1 " + netstring(name.salt) +
                      netstring(std::to_string(name.number.value)) + netstring(name.name) +
                      netstring(name.badge)));
}

std::string mark_of(const Credential& credential) {
    return hex(sha256("tautgate secret 1 " + netstring(std::to_string(credential.number.value)) +
                      netstring(credential.argon2id)));
}

std::string draw_salt() {
    std::array<unsigned char, 16> bytes{};
    randombytes_buf(bytes.data(), bytes.size());
    std::array<char, 2 * bytes.size() + 1> text{};
    sodium_bin2hex(text.data(), text.size(), bytes.data(), bytes.size());
    return text.data();
}

}  // namespace tautgate::journal
