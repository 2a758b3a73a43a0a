// SHA-256 (FIPS 180-4) as the chain uses it, against published digests. Source: NIST CAVP SHA256ShortMsg.rsp
// ("CAVP": compared with the stored file; the empty message too) and the example messages of FIPS 180-2
// appendix B (recomputed with a second implementation, in agreement with the published digests). The lengths
// around the padding boundary were recomputed with a second implementation.
#include <catch2/catch.hpp>

#include <string>

#include "service/journal/digest.hpp"

using namespace tautgate::journal;

namespace {

std::string from_hex(std::string_view text) {
    std::string bytes;
    for (std::size_t i = 0; i < text.size(); i += 2)
        bytes.push_back(static_cast<char>(std::stoi(std::string(text.substr(i, 2)), nullptr, 16)));
    return bytes;
}

struct Vector {
    std::string_view name;
    std::string_view message_hex;
    std::string_view digest;
};

constexpr Vector vectors[] = {
    {"CAVP, empty", "", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
    {"CAVP, 8 bits", "d3", "28969cdfa74a12c82f3bad960b0b000aca2ac329deea5c2328ebc6f2ba9802c1"},
    {"CAVP, 16 bits", "11af", "5ca7133fa735326081558ac312c620eeca9970d1e70a4b95533d956f072d1f98"},
    {"CAVP, 24 bits", "b4190e", "dff2e73091f6c05e528896c4c831b9448653dc2ff043528f6769437bc7b975c2"},
    {"CAVP, 32 bits", "74ba2521", "b16aa56be3880d18cd41e68384cf1ec8c17680c45a02b1575dc1518923ae8b0e"},
    {"CAVP, 64 bits", "5738c929c4f4ccb6", "963bb88f27f512777aab6c8b1a02c70ec0ad651d428f870036e1917120fb48bf"},
    {"CAVP, 128 bits", "0a27847cdc98bd6f62220b046edd762b",
     "80c25ec1600587e7f28b18b1b18e3cdc89928e39cab3bc25e4d4a4c139bcedc4"},
    {"CAVP, 440 bits",
     "3ebfb06db8c38d5ba037f1363e118550aad94606e26835a01af05078533cc25f2f39573c04b632f62f68c294ab31f2a3e2a1a0d"
     "8c2be"
     "51",
     "6595a2ef537a69ba8583dfbf7f5bec0ab1f93ce4c8ee1916eff44a93af5749c4"},
    {"CAVP, 448 bits",
     "2d52447d1244d2ebc28650e7b05654bad35b3a68eedc7f8515306b496d75f3e73385dd1b002625024b81a02f2fd6dffb6e6d561"
     "cb7d0"
     "bd7a",
     "cfb88d6faf2de3a69d36195acec2e255e2af2b7d933997f348e09f6ce5758360"},
    {"CAVP, 512 bits",
     "5a86b737eaea8ee976a0a24da63e7ed7eefad18a101c1211e2b3650c5187c2a8a650547208251f6d4237e661c7bf4c77f335390"
     "394c3"
     "7fa1a9f9be836ac28509",
     "42e61e174fbb3897d6dd6cef3dd2802fe67b331953b06114a65c772859dfc1aa"},
    {"FIPS 180-2 B.1, abc", "616263", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
    {"FIPS 180-2 B.2, 448 bits",
     "6162636462636465636465666465666765666768666768696768696a68696a6b696a6b6c6a6b6c6d6b6c6d6e6c6d6e6f6d6e6f7"
     "06e6f"
     "7071",
     "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
};

}  // namespace

TEST_CASE("SHA-256 gives the digests that NIST publishes") {
    for (const Vector& vector : vectors) {
        INFO(vector.name);
        const std::string message = from_hex(vector.message_hex);
        CHECK(hex(sha256(message)) == vector.digest);
        CHECK(short_name(sha256(message)) ==
              std::stoull(std::string(vector.digest.substr(0, 16)), nullptr, 16));
        // A message in two parts is the same message: the chain hashes the hash before and the text.
        for (const std::size_t cut : {message.size() / 3, message.size()})
            CHECK(hex(sha256(std::string_view(message).substr(0, cut),
                             std::string_view(message).substr(cut))) == vector.digest);
    }
}

TEST_CASE("SHA-256 of a million letters a is the one that FIPS 180-2 B.3 gives") {
    CHECK(hex(sha256(std::string(1'000'000, 'a'))) ==
          "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

TEST_CASE("SHA-256 pads messages around the block boundary as the standard says") {
    struct Padded {
        std::size_t length;
        std::string_view digest;
    };
    for (const Padded& each : {
             Padded{55, "9f4390f8d30c2dd92ec9f095b65e2b9ae9b0a925a5258e241c9f1e910f734318"},
             Padded{56, "b35439a4ac6f0948b6d6f9e3c6af0f5f590ce20f1bde7090ef7970686ec6738a"},
             Padded{63, "7d3e74a05d7db15bce4ad9ec0658ea98e3f06eeecf16b4c6fff2da457ddc2f34"},
             Padded{64, "ffe054fe7ae0cb6dc65c3af9b61d5209f439851db43d0ba5997337df154668eb"},
             Padded{65, "635361c48bb9eab14198e76ea8ab7f1a41685d6ad62aa9146d301d4f17eb0ae0"},
             Padded{119, "31eba51c313a5c08226adf18d4a359cfdfd8d2e816b13f4af952f7ea6584dcfb"},
             Padded{128, "6836cf13bac400e9105071cd6af47084dfacad4e5e302c94bfed24e013afb73e"},
         }) {
        INFO(each.length);
        CHECK(hex(sha256(std::string(each.length, 'a'))) == each.digest);
    }
}

TEST_CASE("a digest is read from its text only in the form in which it is written") {
    const Hash hash = sha256("abc");
    CHECK(hash_from_hex(hex(hash)) == hash);
    CHECK(hash_from_hex(hex(hash).substr(2)) == std::nullopt);
    CHECK(hash_from_hex("BA" + hex(hash).substr(2)) == std::nullopt);
    CHECK(hash_from_hex("ba " + hex(hash).substr(3)) == std::nullopt);
}
