// The archive over the journal's file. Each call opens a read-only connection of its own and closes it again,
// so that no reader is left behind to keep the write-ahead log from shrinking. Worker threads.
#pragma once

#include <filesystem>
#include <string>

#include "service/web/archive.hpp"

namespace tautgate::web {

class JournalArchive final : public Archive {
  public:
    // `vfs` is empty but in tests: the name of another SQLite VFS.
    explicit JournalArchive(std::filesystem::path journal, std::string vfs = {});

    [[nodiscard]] std::expected<std::vector<StoredEvent>, ReadFault> events(domain::EventNumber from,
                                                                            std::size_t most) const override;
    [[nodiscard]] std::expected<history::UnitRecord, ReadFault>
    unit(const domain::Serial& serial) const override;
    [[nodiscard]] std::expected<std::vector<journal::UnitOfBypass>, ReadFault>
    units_of_bypass(domain::EventNumber bypass) const override;
    [[nodiscard]] std::expected<journal::StoredTraces, ReadFault>
    traces(domain::EventNumber event) const override;
    [[nodiscard]] std::expected<history::PastWhyAnswer, ReadFault>
    past_why(const history::PastWhyAsked& asked) const override;

  private:
    std::filesystem::path journal_;
    std::string vfs_;
};

}  // namespace tautgate::web
