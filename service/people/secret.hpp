// A PIN or passphrase on its way from a request to the one comparison it is for. It cannot be copied, printed
// or compared by accident, and its bytes are wiped when it ends. Any thread, one owner.
#pragma once

#include <string>
#include <string_view>

namespace tautgate::people {

// Overwrites the text, its spare room included, and empties it. For texts of others that a secret went
// through.
void wipe(std::string& text) noexcept;

class Secret {
  public:
    // Takes the text over and wipes what the caller held.
    explicit Secret(std::string&& text);
    Secret(Secret&& other) noexcept;
    Secret& operator=(Secret&& other) noexcept;
    Secret(const Secret&) = delete;
    Secret& operator=(const Secret&) = delete;
    ~Secret();

    // For the comparison and nothing else; the view ends with the secret.
    [[nodiscard]] std::string_view reveal() const noexcept { return text_; }

  private:
    std::string text_;
};

}  // namespace tautgate::people
