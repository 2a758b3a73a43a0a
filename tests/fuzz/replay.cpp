// Runs a fuzz entry over its saved corpus and over mutations of it: the same ones on every run, so that a
// failure comes back. TAUTGATE_CORPUS names the folder.
#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/fuzz/entry.hpp"

namespace {

constexpr std::size_t mutations = 20'000;
constexpr std::size_t longest = 8192;

std::vector<std::string> corpus() {
    const char* const folder = std::getenv("TAUTGATE_CORPUS");  // NOLINT(concurrency-mt-unsafe)
    REQUIRE(folder != nullptr);
    std::vector<std::filesystem::path> paths;
    for (const auto& entry : std::filesystem::directory_iterator(folder))
        paths.push_back(entry.path());
    std::ranges::sort(paths);
    std::vector<std::string> seeds;
    for (const auto& path : paths) {
        std::ifstream file(path, std::ios::binary);
        seeds.emplace_back(std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>());
        REQUIRE(file.good());
    }
    return seeds;
}

class Mutator {
  public:
    explicit Mutator(const std::vector<std::string>& seeds) : seeds_(seeds) {}

    std::string next() {
        std::string input = seeds_[below(seeds_.size())];
        for (std::size_t i = below(4) + 1; i > 0; --i)
            change(input);
        input.resize(std::min(input.size(), longest));
        return input;
    }

  private:
    // Not std::uniform_int_distribution: its results differ between libraries.
    std::size_t below(std::size_t end) { return end == 0 ? 0 : static_cast<std::size_t>(random_() % end); }

    void change(std::string& input) {
        static constexpr char interesting[] = {'\0', '\n', '\r', '"', '\\', '{', '}',    '[',    ']',    ':',
                                               ',',  '-',  '0',  '9', 'e',  '.', '\x7f', '\x80', '\xff', ' '};
        const std::size_t at = below(input.size() + 1);
        switch (below(6)) {
        case 0:
            if (at < input.size())
                input[at] = static_cast<char>(static_cast<unsigned char>(input[at]) ^ (1U << below(8)));
            return;
        case 1:
            if (at < input.size())
                input[at] = interesting[below(std::size(interesting))];
            return;
        case 2: input.insert(at, 1, interesting[below(std::size(interesting))]); return;
        case 3: input.erase(at, below(8) + 1); return;
        case 4: input.insert(at, input.substr(below(input.size() + 1), below(64))); return;
        case 5: {
            const std::string& other = seeds_[below(seeds_.size())];
            input = input.substr(0, at) + other.substr(below(other.size() + 1));
            return;
        }
        default: return;
        }
    }

    const std::vector<std::string>& seeds_;
    std::mt19937_64 random_{20'260'101};
};

void run(const std::string& input) {
    REQUIRE(LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(input.data()), input.size()) == 0);
}

}  // namespace

TEST_CASE("the saved inputs and thousands of mutations of them break no promise of the parser") {
    const auto seeds = corpus();
    REQUIRE(seeds.size() >= 3);
    for (const std::string& seed : seeds)
        run(seed);
    Mutator mutator(seeds);
    for (std::size_t i = 0; i < mutations; ++i)
        run(mutator.next());
}
