// Collects bytes that are put one after the other: like appending to a std::string, which it gives in the
// end, but without its bookkeeping for every piece. An event is hundreds of short ones. One thread.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstring>
#include <span>
#include <string>
#include <string_view>
#include <utility>

namespace tautgate::journal {

class ByteSink {
  public:
    explicit ByteSink(std::size_t expected = 4096) : bytes_(expected, '\0') {}

    void put(char byte) {
        if (size_ == bytes_.size())
            grow(1);
        bytes_[size_++] = byte;
    }
    void put(std::string_view bytes) { use(bytes.copy(room(bytes.size()), bytes.size())); }
    template <std::size_t Size>
    void put(std::span<const char, Size> bytes) {
        std::memcpy(room(Size), bytes.data(), Size);
        use(Size);
    }
    // Room for so many bytes at least; `use` says how many were written there.
    [[nodiscard]] char* room(std::size_t count) {
        if (bytes_.size() - size_ < count)
            grow(count);
        return bytes_.data() + size_;
    }
    void use(std::size_t count) { size_ += count; }

    [[nodiscard]] std::string take() && {
        bytes_.resize(size_);
        return std::move(bytes_);
    }

  private:
    void grow(std::size_t count) { bytes_.resize(std::max(2 * bytes_.size(), size_ + count)); }

    std::string bytes_;
    std::size_t size_ = 0;
};

}  // namespace tautgate::journal
