// Order files are taken whole, once, in order; none is lost or written over, whatever lies in the folder and
// wherever the process ends.
#include <csignal>

#include <sys/resource.h>
#include <sys/stat.h>

#include <catch2/catch.hpp>

#include "service/links/order_folder.hpp"
#include "tests/unit/links/order_stand.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using Names = std::set<std::string>;
using Sentences = std::vector<std::string>;

namespace {

namespace fs = std::filesystem;

// Looks with time in between that the test makes up.
struct Looker {
    explicit Looker(const OrderStand& stand, std::uint64_t newest_number = 0, FolderAccess access = {})
        : folder(stand.order_folder(newest_number, std::move(access))) {}

    std::optional<OrderFile> look(std::chrono::milliseconds after = {}) {
        now += after;
        return folder.look(now);
    }
    // What is given once everything has stood still for long enough.
    std::optional<OrderFile> next() {
        auto at_once = look();
        return at_once ? std::move(at_once) : look(OrderStand::still_for);
    }
    OrdersOffered offered() {
        auto file = next();
        REQUIRE(file);
        REQUIRE(std::holds_alternative<OrdersOffered>(*file));
        return std::get<OrdersOffered>(*file);
    }
    OrdersMisread misread() {
        auto file = next();
        REQUIRE(file);
        REQUIRE(std::holds_alternative<OrdersMisread>(*file));
        return std::get<OrdersMisread>(*file);
    }
    void accept(const OrdersOffered& file) {
        folder.answer(file.number, protocol::OrdersAccepted{file.orders});
    }

    OrderFolder folder;
    SteadyTime now{std::chrono::hours(1)};
};

// A system that does not say who writes a file.
FolderAccess unable_to_say() {
    FolderAccess access;
    access.writers = [](const OpenFile&) { return Writers::unknown; };
    return access;
}

}  // namespace

TEST_CASE("a file that is whole is taken under a number, given with its SHA-256, and answered") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    const OrdersOffered file = looker.offered();
    CHECK(file.number == 1);
    CHECK(file.file == protocol::OrderFileName{"monday.csv", std::string(one_order_sha256)});
    REQUIRE(file.orders.size() == 1);
    CHECK(file.orders.front().order == "40017");
    CHECK(stand.files() == Names{"taken/000001.monday.csv"});
    CHECK_FALSE(looker.next());

    looker.accept(file);
    CHECK_FALSE(looker.next());
    CHECK(stand.files() == Names{"taken/000001.monday.csv", "answers/000001.monday.accepted.csv"});
    CHECK(stand.bytes_of("taken/000001.monday.csv") == one_order);
    CHECK(stand.bytes_of("answers/000001.monday.accepted.csv") ==
          protocol::answer_csv(file.file, protocol::OrdersAccepted{file.orders}, protocol::Separator::comma));
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("whoever may look into the order folder may read the answers, whatever mask the service has") {
    const auto mask = ::umask(S_IRWXG | S_IRWXO);
    for (const bool shared : {true, false}) {
        INFO(shared);
        const OrderStand stand;
        fs::permissions(stand.folder, shared ? fs::perms{02770} : fs::perms{0700});
        Looker looker(stand);
        stand.put("monday.csv");
        looker.accept(looker.offered());
        CHECK_FALSE(looker.next());
        const auto mode_of = [&](const char* name) {
            return fs::status(stand.folder / name).permissions() & fs::perms{0777};
        };
        CHECK(mode_of("answers") == (shared ? fs::perms{0750} : fs::perms{0700}));
        CHECK(mode_of("answers/000001.monday.accepted.csv") == (shared ? fs::perms{0640} : fs::perms{0600}));
        if (shared)
            CHECK((fs::status(stand.folder / "answers").permissions() & fs::perms::set_gid) ==
                  fs::perms::set_gid);
    }
    ::umask(mask);
}

TEST_CASE("orders that are refused are answered with the reasons") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    const OrdersOffered file = looker.offered();
    looker.folder.answer(file.number,
                         protocol::OrdersRejected{{{2, "there is no variant 'plain'", "give another"}}});
    CHECK_FALSE(looker.next());
    CHECK_THAT(stand.bytes_of("answers/000001.monday.rejected.csv"),
               Catch::Contains("2,there is no variant 'plain'; give another\r\n"));
}

TEST_CASE("a file that is no order file is told and rejected without a decision, and the next one is taken") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("a.csv", "action,order\nadd,1\n");
    stand.put("b.csv");
    const OrdersMisread file = looker.misread();
    CHECK(file.number == 1);
    CHECK(file.faults == std::vector<protocol::RowFault>{{1, "the column variant is missing", "add it"}});
    CHECK(looker.offered().file.name == "b.csv");
    CHECK_THAT(stand.bytes_of("answers/000001.a.rejected.csv"),
               Catch::Contains("1,the column variant is missing; add it\r\n"));
}

TEST_CASE("files that wait together are taken in the order of their names, one after the other's answer") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("b.csv");
    stand.put("a.CSV");
    const OrdersOffered first = looker.offered();
    CHECK(first.file.name == "a.CSV");
    CHECK_FALSE(looker.look(std::chrono::hours(1)));
    looker.accept(first);
    const OrdersOffered second = looker.offered();
    CHECK(second.file.name == "b.csv");
    CHECK(second.number == 2);
}

TEST_CASE("a name that comes again writes over nothing") {
    const OrderStand stand;
    Looker looker(stand);
    for (int time = 0; time < 2; ++time) {
        stand.put("orders.csv");
        looker.accept(looker.offered());
        CHECK_FALSE(looker.next());
    }
    CHECK(stand.files() == Names{"taken/000001.orders.csv", "answers/000001.orders.accepted.csv",
                                 "taken/000002.orders.csv", "answers/000002.orders.accepted.csv"});
}

TEST_CASE("a file is not taken while it grows, and is once it has stood still") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv", one_order.substr(0, 10));
    CHECK_FALSE(looker.look());
    CHECK_FALSE(looker.look(OrderStand::still_for - std::chrono::milliseconds(1)));
    stand.put("monday.csv");
    CHECK_FALSE(looker.look(std::chrono::milliseconds(1)));
    CHECK_FALSE(looker.look(OrderStand::still_for - std::chrono::milliseconds(1)));
    CHECK(looker.look(std::chrono::milliseconds(1)).has_value());
}

TEST_CASE("a file that stands still but is open for writing is not taken, and after a while that is said") {
    const OrderStand stand;
    Looker looker(stand);
    std::ofstream writer(stand.folder / "monday.csv");
    writer << one_order << std::flush;
    CHECK_FALSE(looker.look());
    CHECK_FALSE(looker.look(std::chrono::seconds(30)));
    CHECK(looker.folder.troubles().empty());
    CHECK_FALSE(looker.look(std::chrono::seconds(30)));
    CHECK(looker.folder.troubles() ==
          Sentences{"'monday.csv' in '" + stand.folder.string() +
                    "' is still open for writing though nothing is written; close it in the program that "
                    "writes it"});
    writer.close();
    CHECK(looker.next().has_value());
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("a file that is written on after it was taken is told until it is cleared up") {
    const OrderStand stand;
    Looker looker(stand, 0, unable_to_say());
    std::ofstream writer(stand.folder / "monday.csv");
    writer << one_order << std::flush;
    looker.accept(looker.offered());
    CHECK_FALSE(looker.next());
    CHECK(looker.folder.troubles().empty());
    writer << "add,40018,plain\r\n" << std::flush;
    const Sentences told{"'000001.monday.csv' in '" + stand.folder.string() +
                         "/taken' was written to after it was taken, and what was written then does not "
                         "count; hand the whole file in again, and move this one away with its answer"};
    CHECK_FALSE(looker.look());
    CHECK(looker.folder.troubles() == told);
    CHECK_FALSE(looker.look(std::chrono::hours(100)));
    CHECK(looker.folder.troubles() == told);
    // What is handed in again is taken all the same.
    stand.put("tuesday.csv");
    looker.accept(looker.offered());
    fs::rename(stand.folder / "taken/000001.monday.csv", stand.folder / "gone");
    CHECK_FALSE(looker.look());
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("a file that is written on between its reading and its answer is told as well") {
    const OrderStand stand;
    Looker looker(stand, 0, unable_to_say());
    stand.put("monday.csv");
    const OrdersOffered file = looker.offered();
    // Other bytes, and as many.
    stand.put("taken/000001.monday.csv", "action,order,variant\r\nadd,40018,plain\r\n");
    looker.accept(file);
    CHECK_FALSE(looker.look());
    CHECK(looker.folder.troubles().size() == 1);
}

TEST_CASE("a taken file that is only touched, or was rejected, is no trouble") {
    const OrderStand stand;
    Looker looker(stand, 0, unable_to_say());
    stand.put("a.csv");
    stand.put("b.csv");
    looker.accept(looker.offered());
    const OrdersOffered second = looker.offered();
    looker.folder.answer(second.number, protocol::OrdersRejected{{{2, "x", "y"}}});
    CHECK_FALSE(looker.next());
    fs::last_write_time(stand.folder / "taken/000001.a.csv", fs::file_time_type::clock::now());
    fs::permissions(stand.folder / "taken/000001.a.csv", fs::perms(0600));
    stand.put("taken/000002.b.csv", "written on");
    CHECK_FALSE(looker.look());
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("where the system does not say who writes, that is remarked once, with what to do") {
    const OrderStand stand;
    Looker looker(stand, 0, unable_to_say());
    CHECK_FALSE(looker.folder.take_remark());
    stand.put("monday.csv");
    looker.accept(looker.offered());
    const auto remark = looker.folder.take_remark();
    REQUIRE(remark);
    CHECK_THAT(*remark, Catch::StartsWith("whether somebody still writes 'monday.csv' in '" +
                                          stand.folder.string() + "' cannot be found out") &&
                            Catch::Contains("give the service the capability CAP_LEASE"));
    stand.put("tuesday.csv");
    CHECK(looker.offered().number == 2);
    CHECK_FALSE(looker.folder.take_remark());
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("who writes another user's file is unknown, and is not taken for nobody") {
    const OrderStand stand;
    stand.put("monday.csv");
    fs::permissions(stand.folder, fs::perms(0755));
    fs::permissions(stand.folder / "monday.csv", fs::perms(0644));
    const auto folder = open_folder(stand.folder);
    REQUIRE(folder);
    const auto ask = [&] {
        const auto file = open_to_read(*folder, "monday.csv");
        REQUIRE(file);
        return writers_of(*file);
    };
    CHECK(ask() == Writers::none);
    const std::ofstream writer(stand.folder / "monday.csv", std::ios::app);
    CHECK(ask() == Writers::some);
    if (::geteuid() != 0)
        return;  // only the superuser can become another user
    const AsNobody nobody;
    CHECK(ask() == Writers::unknown);
}

TEST_CASE("a file that is written under another name and renamed is seen when it is whole only") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put(".monday.csv", "half");
    stand.put("tuesday.csv.part", "half");
    CHECK_FALSE(looker.next());
    CHECK(looker.folder.troubles().empty());
    stand.put(".monday.csv");
    fs::rename(stand.folder / ".monday.csv", stand.folder / "monday.csv");
    CHECK(looker.offered().file.name == "monday.csv");
    CHECK(stand.files() == Names{"taken/000001.monday.csv", "tuesday.csv.part"});
}

TEST_CASE("a file whose sender takes it back before it is taken is forgotten") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    CHECK_FALSE(looker.look());
    fs::remove(stand.folder / "monday.csv");
    CHECK_FALSE(looker.look(OrderStand::still_for));
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("after a crash a file without an answer is given again, one with an answer is not") {
    const OrderStand stand;
    stand.put("monday.csv");
    const OrdersOffered before = Looker(stand).offered();
    {
        Looker restarted(stand);
        CHECK(restarted.offered() == before);
        restarted.accept(before);
    }
    // The process ended before the answer was written: nobody wrote it.
    Looker again(stand);
    CHECK(again.offered() == before);
    again.accept(before);
    CHECK_FALSE(again.next());
    Looker last(stand);
    CHECK_FALSE(last.next());
    stand.put("tuesday.csv");
    CHECK(last.offered().number == 2);
}

TEST_CASE("files without an answer come again in the order of taking, before new ones") {
    const OrderStand stand;
    fs::create_directory(stand.folder / "taken");
    fs::create_directory(stand.folder / "answers");
    stand.put("taken/1000000.a.csv");
    stand.put("taken/000009.z.csv");
    stand.put("taken/000008.x.csv");
    stand.put("answers/000008.x.rejected.csv", "");
    stand.put("taken/a note.txt", "not taken as an order file");
    stand.put("0.csv");
    Looker looker(stand);
    const OrdersOffered first = looker.offered();
    CHECK(first.number == 9);
    looker.accept(first);
    looker.now += OrderStand::still_for;
    const OrdersOffered second = looker.offered();
    CHECK(second.number == 1'000'000);
    CHECK(stand.files().contains("0.csv"));
    looker.accept(second);
    CHECK(looker.offered().number == 1'000'001);
}

TEST_CASE("a number that an answer bears is not given again, though its file was moved away") {
    const OrderStand stand;
    fs::create_directory(stand.folder / "answers");
    stand.put("answers/000005.monday.accepted.csv", "");
    stand.put("monday.csv");
    Looker looker(stand);
    CHECK(looker.offered().number == 6);
}

TEST_CASE("a number that is on record is not given again, though the folder was cleared before the start") {
    const OrderStand stand;
    stand.put("monday.csv");
    Looker looker(stand, 17);
    CHECK(looker.offered().number == 18);
}

TEST_CASE("a taken file without an answer keeps its number, whatever is on record") {
    const OrderStand stand;
    fs::create_directory(stand.folder / "taken");
    stand.put("taken/000017.monday.csv");
    stand.put("tuesday.csv");
    Looker looker(stand, 17);
    const OrdersOffered first = looker.offered();
    CHECK(first.number == 17);
    looker.accept(first);
    CHECK(looker.offered().number == 18);
}

TEST_CASE("numbers do not fall when an empty folder takes the place of the first") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    looker.accept(looker.offered());
    CHECK_FALSE(looker.next());
    fs::rename(stand.folder, stand.folder.string() + ".away");
    fs::create_directory(stand.folder);
    stand.put("monday.csv");
    CHECK(looker.offered().number == 2);
    fs::remove_all(stand.folder.string() + ".away");
}

TEST_CASE("half an answer that a crash left behind is no answer, and is completed") {
    const OrderStand stand;
    stand.put("monday.csv");
    (void)Looker(stand).offered();
    stand.put("answers/.000001.monday.accepted.csv.new", std::string(10'000, 'x'));
    Looker restarted(stand);
    restarted.accept(restarted.offered());
    CHECK_FALSE(restarted.next());
    CHECK(stand.files() == Names{"taken/000001.monday.csv", "answers/000001.monday.accepted.csv"});
    CHECK_THAT(stand.bytes_of("answers/000001.monday.accepted.csv"), Catch::EndsWith("variant plain\"\r\n"));
}

TEST_CASE("an answer that stands there already is left as it is, and the work goes on") {
    const OrderStand stand;
    stand.put("a.csv");
    stand.put("b.csv");
    Looker looker(stand);
    looker.accept(looker.offered());
    stand.put("answers/000001.a.accepted.csv", "written by an attempt whose sync failed");
    CHECK(looker.offered().file.name == "b.csv");
    CHECK(looker.folder.troubles().empty());
    CHECK(stand.bytes_of("answers/000001.a.accepted.csv") == "written by an attempt whose sync failed");
}

TEST_CASE("a number that somebody else has put into the folder of taken files is left alone") {
    const OrderStand stand;
    Looker looker(stand);
    CHECK_FALSE(looker.next());
    stand.put("taken/000001.monday.csv", "action,order,variant\ncancel,7,\n");
    stand.put("monday.csv");
    const OrdersOffered theirs = [&] {
        CHECK_FALSE(looker.next());
        return looker.offered();
    }();
    CHECK(theirs.orders.front().order == "7");
    looker.accept(theirs);
    const OrdersOffered ours = looker.offered();
    CHECK(ours.number == 2);
    CHECK(ours.orders.front().order == "40017");
}

TEST_CASE("what is no regular file stays where it is, and is named with what to do") {
    const OrderStand stand;
    stand.put("elsewhere");
    fs::create_symlink(stand.folder / "elsewhere", stand.folder / "link.csv");
    REQUIRE(::mkfifo((stand.folder / "pipe.csv").c_str(), 0600) == 0);
    fs::create_directory(stand.folder / "folder.csv");
    stand.put("two\nlines.csv");
    stand.put(std::string(197, 'n') + ".csv");
    Looker looker(stand);
    CHECK_FALSE(looker.next());
    const std::string in = " in '" + stand.folder.string() + "' ";
    const std::string unwritable =
        "has a name that cannot be written into a record; name it in at most 200 bytes of visible UTF-8";
    CHECK(looker.folder.troubles() ==
          Sentences{"'folder.csv'" + in + "is no regular file; put it elsewhere",
                    "'link.csv'" + in + "is a symbolic link; put the file itself there",
                    "'" + std::string(197, 'n') + ".cs'..." + in + unwritable,
                    "'pipe.csv'" + in + "is no regular file; put it elsewhere",
                    "'two\\x0alines.csv'" + in + unwritable});
    stand.put("monday.csv");
    CHECK(looker.offered().file.name == "monday.csv");
}

TEST_CASE("a huge file is rejected without being read") {
    const OrderStand stand;
    stand.put("huge.csv", "");
    fs::resize_file(stand.folder / "huge.csv", std::uintmax_t{1} << 40U);
    Looker looker(stand);
    const OrdersMisread file = looker.misread();
    CHECK(file.file == protocol::OrderFileName{"huge.csv", ""});
    CHECK(file.faults ==
          std::vector<protocol::RowFault>{
              {0, "the file has 1099511627776 bytes, more than 1048576", "divide it into several files"}});
    CHECK_FALSE(looker.next());
    CHECK(stand.files() == Names{"taken/000001.huge.csv", "answers/000001.huge.rejected.csv"});
}

TEST_CASE("a folder that is missing, or vanishes, is said and not made; when it is back the work goes on") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    const OrdersOffered file = looker.offered();
    fs::rename(stand.folder, stand.folder.string() + ".away");
    looker.accept(file);
    CHECK_FALSE(looker.next());
    CHECK(looker.folder.troubles() ==
          Sentences{"the order folder '" + stand.folder.string() +
                    "' cannot be opened: No such file or directory; create it for the service's user, or "
                    "correct orders/folder in the station's description"});
    CHECK_FALSE(fs::exists(stand.folder));
    fs::rename(stand.folder.string() + ".away", stand.folder);
    CHECK_FALSE(looker.next());
    CHECK(looker.folder.troubles().empty());
    CHECK(stand.files() == Names{"taken/000001.monday.csv", "answers/000001.monday.accepted.csv"});
}

TEST_CASE("another folder in the place of the first is known by what it holds") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("monday.csv");
    looker.accept(looker.offered());
    CHECK_FALSE(looker.next());
    const OrderStand other;
    other.put("tuesday.csv");
    (void)Looker(other).offered();
    fs::rename(stand.folder, stand.folder.string() + ".away");
    fs::rename(other.folder, stand.folder);
    CHECK(looker.offered().file.name == "tuesday.csv");
    fs::remove_all(stand.folder.string() + ".away");
}

TEST_CASE("a file that vanishes after it was taken is said once, and does not stop those behind it") {
    const OrderStand stand;
    fs::create_directory(stand.folder / "taken");
    stand.put("taken/000001.monday.csv");
    fs::create_directory(stand.folder / "answers");
    stand.put("taken/000002.tuesday.csv");
    stand.put("wednesday.csv");
    Looker looker(stand);
    const OrdersOffered first = looker.offered();
    CHECK(first.file.name == "monday.csv");
    fs::remove(stand.folder / "taken/000002.tuesday.csv");
    looker.accept(first);
    CHECK_FALSE(looker.look());
    REQUIRE(looker.folder.troubles().size() == 1);
    CHECK_THAT(looker.folder.troubles().front(),
               Catch::StartsWith("'000002.tuesday.csv' in '" + stand.folder.string() +
                                 "/taken' cannot be read: No such file or directory"));
    CHECK(looker.offered().file.name == "wednesday.csv");
    CHECK(looker.folder.troubles().empty());
}

TEST_CASE("a taken file that somebody still writes is waited for") {
    const OrderStand stand;
    fs::create_directory(stand.folder / "taken");
    std::ofstream writer(stand.folder / "taken/000001.monday.csv");
    writer << one_order << std::flush;
    Looker looker(stand);
    CHECK_FALSE(looker.next());
    CHECK(looker.folder.troubles() ==
          Sentences{"'000001.monday.csv' in '" + stand.folder.string() +
                    "/taken' is still being written; close it in the program that writes it, and send a new "
                    "file; the files behind it wait"});
    writer.close();
    CHECK(looker.offered().file.name == "monday.csv");
}

TEST_CASE("whoever may not read or write is told where and what to do, and nothing is lost") {
    const OrderStand stand;
    const std::string folder = stand.folder.string();
    stand.put("monday.csv");
    Looker looker(stand);
    SECTION("the folder cannot be opened") {
        fs::permissions(stand.folder, fs::perms::none);
        const AsNobody nobody;
        CHECK_FALSE(looker.next());
        CHECK_THAT(
            looker.folder.troubles().at(0),
            Catch::StartsWith("the order folder '" + folder + "' cannot be opened: Permission denied"));
    }
    SECTION("nothing can be made in it") {
        fs::permissions(stand.folder, fs::perms(0555));
        const AsNobody nobody;
        CHECK_FALSE(looker.next());
        CHECK(looker.folder.troubles().at(0) ==
              "the folder '" + folder +
                  "/taken' cannot be made or opened: Permission denied; let "
                  "the service's user write there");
    }
    SECTION("a file cannot be read") {
        fs::permissions(stand.folder, fs::perms(0777));
        fs::permissions(stand.folder / "monday.csv", fs::perms::none);
        const AsNobody nobody;
        CHECK_FALSE(looker.next());
        CHECK(looker.folder.troubles() ==
              Sentences{"'monday.csv' in '" + folder +
                        "' cannot be read: Permission denied; make it readable for the service's user"});
    }
    SECTION("a file cannot be moved") {
        CHECK_FALSE(looker.look());
        fs::permissions(stand.folder / "taken", fs::perms(0555));
        fs::permissions(stand.folder / "answers", fs::perms(0755));
        fs::permissions(stand.folder, fs::perms(0755));
        const AsNobody nobody;
        CHECK_FALSE(looker.next());
        CHECK(looker.folder.troubles() ==
              Sentences{"'monday.csv' cannot be moved from '" + folder +
                        "' to its folder 'taken': Permission denied; let the service's user write there"});
    }
    fs::permissions(stand.folder, fs::perms::owner_all);
    fs::permissions(stand.folder / "monday.csv", fs::perms::owner_all);
    CHECK(stand.bytes_of("monday.csv") == one_order);
}

TEST_CASE("an answer that cannot be written is tried again, and the next file waits for it") {
    const OrderStand stand;
    Looker looker(stand);
    stand.put("a.csv");
    stand.put("b.csv");
    looker.accept(looker.offered());
    SECTION("no file may grow") {
        // Stands for a full disk: the bytes do not fit.
        REQUIRE(std::signal(SIGXFSZ, SIG_IGN) != SIG_ERR);
        rlimit before{};
        REQUIRE(::getrlimit(RLIMIT_FSIZE, &before) == 0);
        const rlimit tiny{10, before.rlim_max};
        REQUIRE(::setrlimit(RLIMIT_FSIZE, &tiny) == 0);
        const auto given = looker.next();
        REQUIRE(::setrlimit(RLIMIT_FSIZE, &before) == 0);
        REQUIRE(std::signal(SIGXFSZ, SIG_DFL) != SIG_ERR);
        CHECK_FALSE(given);
        CHECK(looker.folder.troubles() ==
              Sentences{"the answer '000001.a.accepted.csv' cannot be written into '" +
                        stand.folder.string() +
                        "/answers': File too large; let the service's user write there; the next order file "
                        "waits"});
    }
    SECTION("something else is in the place of the folder") {
        fs::rename(stand.folder / "answers", stand.folder / "away");
        stand.put("answers", "");
        CHECK_FALSE(looker.next());
        CHECK_THAT(looker.folder.troubles().at(0), Catch::Contains("/answers' cannot be made or opened"));
        fs::remove(stand.folder / "answers");
        fs::rename(stand.folder / "away", stand.folder / "answers");
    }
    CHECK(looker.offered().file.name == "b.csv");
    CHECK(looker.folder.troubles().empty());
    CHECK(stand.files().contains("answers/000001.a.accepted.csv"));
}

TEST_CASE("a link in the place of a folder is not followed") {
    const OrderStand stand;
    const OrderStand elsewhere;
    fs::create_directory_symlink(elsewhere.folder, stand.folder / "taken");
    stand.put("monday.csv");
    Looker looker(stand);
    CHECK_FALSE(looker.next());
    CHECK_THAT(looker.folder.troubles().at(0), Catch::Contains("/taken' cannot be made or opened"));
    CHECK(elsewhere.files().empty());
}

TEST_CASE("the kinds of ticket that an order may name are those of the station's pair") {
    config::Station station;
    station.pair.ticket_kinds = {"D", "F"};
    const auto format =
        order_format_of(station, {.folder = "x", .separator = protocol::Separator::semicolon});
    CHECK(format.ticket_kinds == std::vector<std::string>{"D", "F"});
    CHECK(format.separator == protocol::Separator::semicolon);
}
