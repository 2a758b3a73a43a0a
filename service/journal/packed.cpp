#include "service/journal/packed.hpp"

#include <cassert>
#include <memory>

#include <zstd.h>

namespace tautgate::journal {
namespace {

struct FreeContext {
    void operator()(ZSTD_CCtx* context) const noexcept { ZSTD_freeCCtx(context); }
};

// Curves are short; what a higher level gains on them is not worth the writer's time.
constexpr int level = 3;

}  // namespace

std::string packed(std::string_view bytes) {
    const std::unique_ptr<ZSTD_CCtx, FreeContext> context(ZSTD_createCCtx());
    assert(context);
    ZSTD_CCtx_setParameter(context.get(), ZSTD_c_compressionLevel, level);
    ZSTD_CCtx_setParameter(context.get(), ZSTD_c_contentSizeFlag, 1);
    ZSTD_CCtx_setParameter(context.get(), ZSTD_c_checksumFlag, 1);
    std::string frame(ZSTD_compressBound(bytes.size()), '\0');
    const std::size_t size =
        ZSTD_compress2(context.get(), frame.data(), frame.size(), bytes.data(), bytes.size());
    assert(ZSTD_isError(size) == 0);  // there is room, and nothing else can be wrong
    frame.resize(size);
    return frame;
}

std::expected<std::string, std::string> unpacked(std::string_view frame, std::size_t most) {
    const unsigned long long size = ZSTD_getFrameContentSize(frame.data(), frame.size());
    if (size == ZSTD_CONTENTSIZE_ERROR || size == ZSTD_CONTENTSIZE_UNKNOWN)
        return std::unexpected("the bytes are no frame that says how long its content is");
    if (size > most)
        return std::unexpected("the frame claims more content than is ever kept");
    std::string bytes(static_cast<std::size_t>(size), '\0');
    const std::size_t read = ZSTD_decompress(bytes.data(), bytes.size(), frame.data(), frame.size());
    if (ZSTD_isError(read) != 0)
        return std::unexpected(std::string("the frame is damaged: ") + ZSTD_getErrorName(read));
    if (read != bytes.size() || ZSTD_findFrameCompressedSize(frame.data(), frame.size()) != frame.size())
        return std::unexpected("the frame does not end where the bytes do");
    return bytes;
}

}  // namespace tautgate::journal
