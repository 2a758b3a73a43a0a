// The archive over the journal's file. Each call opens a read-only connection of its own and closes it again,
// so that no reader is left behind to keep the write-ahead log from shrinking. Worker threads.
#pragma once

#include <filesystem>

#include "service/web/archive.hpp"

namespace tautgate::web {

class JournalArchive final : public Archive {
  public:
    explicit JournalArchive(std::filesystem::path journal);

    [[nodiscard]] std::expected<std::vector<StoredEvent>, ReadFault> events(domain::EventNumber from,
                                                                            std::size_t most) const override;
    [[nodiscard]] std::expected<history::UnitRecord, ReadFault>
    unit(const domain::Serial& serial) const override;

  private:
    std::filesystem::path journal_;
};

}  // namespace tautgate::web
