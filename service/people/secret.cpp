#include "service/people/secret.hpp"

#include <utility>

#include <sodium.h>

namespace tautgate::people {

void wipe(std::string& text) noexcept {
    text.resize(text.capacity());  // never more than there is: allocates nothing
    sodium_memzero(text.data(), text.size());
    text.clear();
}

// A short text lies within the string object and is copied by a move, so the source is wiped, too.
Secret::Secret(std::string&& text) : text_(std::move(text)) { wipe(text); }

Secret::Secret(Secret&& other) noexcept : text_(std::move(other.text_)) { wipe(other.text_); }

Secret& Secret::operator=(Secret&& other) noexcept {
    if (this != &other) {
        wipe(text_);
        text_ = std::move(other.text_);
        wipe(other.text_);
    }
    return *this;
}

Secret::~Secret() { wipe(text_); }

}  // namespace tautgate::people
