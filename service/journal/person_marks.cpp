#include "service/journal/person_marks.hpp"

#include <array>

#include <sodium.h>

#include "service/journal/digest.hpp"

namespace tautgate::journal {

// No name, badge or hash holds a line break (the API refuses control characters), so the parts cannot be
// moved against each other.
std::string mark_of(const PersonName& name) {
    return hex(sha256("tautgate name 1\n" + name.salt + "\n" + std::to_string(name.number.value) + "\n" +
                      name.name + "\n" + name.badge));
}

std::string mark_of(const Credential& credential) {
    return hex(
        sha256("tautgate secret 1\n" + std::to_string(credential.number.value) + "\n" + credential.argon2id));
}

std::string draw_salt() {
    std::array<unsigned char, 16> bytes{};
    randombytes_buf(bytes.data(), bytes.size());
    std::array<char, 2 * bytes.size() + 1> text{};
    sodium_bin2hex(text.data(), text.size(), bytes.data(), bytes.size());
    return text.data();
}

}  // namespace tautgate::journal
