#include "service/station/start.hpp"

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <sstream>
#include <utility>

#include <sys/stat.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <fmt/format.h>
#include <sodium.h>
#include <spdlog/spdlog.h>

#include "config/reader.hpp"
#include "service/interlock/lookup.hpp"
#include "service/journal/audit.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/person_marks.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/reader.hpp"
#include "service/journal/recovery.hpp"
#include "service/journal/station_lock.hpp"
#include "service/people/enrolment_code.hpp"
#include "service/station/durable_notice.hpp"
#include "service/station/service_manager.hpp"
#include "service/station/station.hpp"
#include "service/web/api.hpp"
#include "service/web/journal_archive.hpp"
#include "service/web/server.hpp"

namespace tautgate::station {
namespace {

namespace fs = std::filesystem;

constexpr std::chrono::milliseconds last_words{200};  // for links and answers on their way out

std::optional<std::string> text_of(const fs::path& file) {
    std::ifstream in(file, std::ios::binary);
    if (!in)
        return std::nullopt;
    std::ostringstream text;
    text << in.rdbuf();
    return in.bad() ? std::nullopt : std::optional(text.str());
}

StagedFile read_staged(const fs::path& file) {
    StagedFile staged;
    staged.file = file.string();
    if (std::error_code unknown; fs::is_directory(file, unknown)) {
        staged.faults.push_back(staged.file + ": is a folder; name the file of the station description");
        return staged;
    }
    const auto text = text_of(file);
    if (!text) {
        staged.faults.push_back(staged.file +
                                ": cannot be read; check the path and the rights of the service's user");
        return staged;
    }
    auto loading = config::load_station(*text, staged.file);
    for (const auto& finding : loading.findings)
        (finding.severity == config::Severity::error ? staged.faults : staged.warnings)
            .push_back(config::to_text(finding));
    if (!loading.station)
        return staged;
    staged.text = *text;
    staged.revision = interlock::Revision{journal::hex(journal::sha256(*text))};
    staged.station = std::make_shared<const config::Station>(std::move(*loading.station));
    return staged;
}

// The file names the journal. Where it cannot be read, the one journal of the state folder is taken.
std::optional<fs::path> journal_path(const StagedFile& staged, const fs::path& folder) {
    if (staged.station)
        return folder / staged.station->journal;
    std::optional<fs::path> only;
    std::error_code error;
    for (const auto& entry : fs::directory_iterator(folder, error)) {
        if (entry.path().extension() != ".db")
            continue;
        if (only)
            return std::nullopt;
        only = entry.path();
    }
    return only;
}

// Everything that is built on the way up and must live until the end.
class Run {
  public:
    explicit Run(const StartOptions& options) : options_(options) {}

    ExitCode start_and_serve();

  private:
    ExitCode prepare();
    [[nodiscard]] ExitCode make_state_folder() const;
    [[nodiscard]] bool has_journal() const;
    ExitCode open_journal();
    [[nodiscard]] ExitCode look_for_lost_journal() const;
    [[nodiscard]] ExitCode look_for_rules() const;
    ExitCode open_writer();
    [[nodiscard]] std::expected<journal::Recovered, journal::JournalError>
    recover(journal::Reader& reader) const;
    void open_hand_note();
    ExitCode listen(const config::Endpoint& endpoint);
    ExitCode serve_http();
    void withhold_first();
    void read_people(const std::vector<journal::PersonName>& names,
                     const std::vector<journal::Credential>& credentials);
    void tell_of_changed_people();
    [[nodiscard]] people::Roster read_roster();
    [[nodiscard]] std::vector<std::pair<domain::PersonNumber, std::chrono::seconds>> locked_still() const;
    [[nodiscard]] const config::Station& some_rules() const;
    void wait_for_signals();
    void end_with(ExitCode code);

    const StartOptions& options_;
    boost::asio::io_context loop_{1};
    boost::asio::signal_set signals_{loop_};
    StagedFile staged_;
    fs::path journal_;
    Clock clock_;
    std::optional<journal::StationLock> lock_;
    const std::shared_ptr<links::DurableMark> mark_ = std::make_shared<links::DurableMark>();
    std::unique_ptr<Wiring> first_wiring_;
    std::optional<journal::JournalError> not_writable_;
    DurableNotice durable_{loop_, [this](interlock::EventNumber up_to) { station_->on_durable(up_to); }};
    std::unique_ptr<journal::Writer> writer_;  // until the station takes it over
    bool writable_ = false;
    std::optional<journal::HandNote> hand_;
    std::optional<journal::Reserve> reserve_;
    journal::Recovered recovered_;
    std::vector<people::PersonRecord> people_;
    std::vector<std::string> changed_people_;
    std::unique_ptr<Station> station_;
    std::unique_ptr<web::Api> api_;
    std::unique_ptr<web::Server> server_;
    boost::asio::steady_timer last_words_{loop_};
    ExitCode code_ = ExitCode::orderly;
};

// At most the last folder of the path: a mistyped path must not begin a record where nobody looks for it.
ExitCode Run::make_state_folder() const {
    const fs::path& folder = options_.state_folder;
    std::error_code error;
    fs::create_directory(folder, error);
    if (!error)
        return ExitCode::orderly;
    const fs::path above = fs::absolute(folder).lexically_normal().parent_path();
    std::error_code unknown;
    if (!fs::exists(above, unknown))
        spdlog::critical("{}: the folder above it is not there, so that no state folder was made; correct "
                         "--state-dir, or make the folder {} first",
                         folder.string(), above.string());
    else
        spdlog::critical("{}: the state folder cannot be made ({}); create it for the service's user",
                         folder.string(), error.message());
    return ExitCode::usage;
}

ExitCode Run::prepare() {
    staged_ = read_staged(options_.config);
    for (const std::string& fault : staged_.faults)
        spdlog::error("{}", fault);
    for (const std::string& warning : staged_.warnings)
        spdlog::warn("{}", warning);
    const auto journal = journal_path(staged_, options_.state_folder);
    if (!journal) {
        spdlog::critical(
            "{}: has errors, and {} holds no journal, or several, whose approved rules could be followed; "
            "correct the file",
            staged_.file, options_.state_folder.string());
        return ExitCode::config;
    }
    journal_ = *journal;
    // A start that cannot listen begins no record. Where there is one, its approved rules say where to
    // listen.
    if (staged_.station && !has_journal()) {
        if (const ExitCode code = listen(staged_.station->api); code != ExitCode::orderly)
            return code;
    }
    if (const ExitCode code = make_state_folder(); code != ExitCode::orderly)
        return code;
    auto lock = journal::StationLock::take(journal_);
    if (lock) {
        lock_ = std::move(*lock);
        return ExitCode::orderly;
    }
    spdlog::critical("{}", journal::to_text(lock.error()));
    if (lock.error().fault != journal::JournalFault::read_only)
        return lock.error().fault == journal::JournalFault::in_use ? ExitCode::locked
                                                                   : ExitCode::journal_failed;
    not_writable_ = lock.error();  // by nobody: up, withheld, and explaining
    return ExitCode::orderly;
}

void Run::withhold_first() {
    if (!staged_.station)
        return;  // nothing is written; the controllers' own time-out withholds
    Wiring::Callbacks nobody{[](const interlock::Payload&) {}, [](const links::ArrivedTrace&) {},
                             [](const domain::ToolId&, const std::string&) { return std::uint64_t{1}; },
                             [](const domain::ToolId&) { return std::optional<links::KnownOfTool>{}; }};
    first_wiring_ = std::make_unique<Wiring>(loop_, staged_.station, clock_.boot(), std::move(nobody), mark_);
    first_wiring_->start_controllers();
}

bool Run::has_journal() const {
    std::error_code ignored;
    return fs::exists(journal_, ignored) && fs::file_size(journal_, ignored) > 0;
}

// Its working files are made after it and never without it: a new record must not take the place of a lost
// one.
ExitCode Run::look_for_lost_journal() const {
    std::error_code ignored;
    const fs::path hand = journal::HandNote::path_beside(journal_);
    if (has_journal() || !fs::exists(hand, ignored))
        return ExitCode::orderly;
    spdlog::critical(
        "{}: is missing or empty, but a station has worked in this folder; bring back the latest backup, or "
        "remove {} to begin a new record",
        journal_.string(), hand.string());
    return ExitCode::journal_failed;
}

// Without any, nobody has said where to listen or which equipment there is.
ExitCode Run::look_for_rules() const {
    const bool approved = interlock::rules_of(recovered_.rules, recovered_.state.rules) != nullptr;
    if (staged_.station || approved)
        return ExitCode::orderly;
    spdlog::critical("{}: has errors, and no approved rules can be read from {}; correct the file",
                     staged_.file, journal_.string());
    return ExitCode::config;
}

ExitCode Run::open_writer() {
    journal::Writer::Options options;
    options.path = journal_;
    options.station = staged_.station ? staged_.station->id : std::string{};
    options.vfs = options_.vfs;
    options.at_point = options_.probes.at_point;
    options.on_durable = [this](interlock::EventNumber up_to) {
        mark_->advance(up_to);
        durable_.tell(up_to);
    };
    options.on_failure = [this](const journal::JournalError& error) {
        boost::asio::post(loop_, [this, error] {
            durable_.look();  // what became durable before was told before
            station_->on_journal_failed(error);
        });
    };
    const bool begins = !has_journal();
    auto writer = journal::Writer::open(std::move(options));
    if (writer) {
        writer_ = std::move(*writer);
        if (begins)
            spdlog::warn("a new, empty record begins in {}; where there should be one already, see whether "
                         "--state-dir and the name of the journal are right",
                         journal_.string());
        return ExitCode::orderly;
    }
    spdlog::critical("{}", journal::to_text(writer.error()));
    const bool stays_up = writer.error().fault == journal::JournalFault::disk_full ||
                          writer.error().fault == journal::JournalFault::read_only ||
                          writer.error().fault == journal::JournalFault::device;
    not_writable_ = writer.error();
    return stays_up ? ExitCode::orderly : ExitCode::journal_failed;
}

// Whether all tables are there, a writer has seen when it was opened.
std::expected<journal::Recovered, journal::JournalError> Run::recover(journal::Reader& reader) const {
    if (!writer_) {
        if (const auto whole = reader.can_be_queried(); !whole)
            return std::unexpected(whole.error());
    }
    return journal::recover(reader, journal::read_stored_rules);
}

ExitCode Run::open_journal() {
    if (const ExitCode code = look_for_lost_journal(); code != ExitCode::orderly)
        return code;
    // Without the lock nothing is written.
    if (lock_) {
        if (const ExitCode code = open_writer(); code != ExitCode::orderly)
            return code;
    }
    auto reader = journal::Reader::open(journal_, options_.vfs);
    if (!reader) {
        spdlog::critical("{}", journal::to_text(reader.error()));
        return not_writable_ ? look_for_rules() : ExitCode::journal_failed;
    }
    const auto of = (*reader)->station();
    if (of && !of->empty() && staged_.station && *of != staged_.station->id) {
        spdlog::critical(
            "{}: is the journal of station {}, and {} describes station {}; name another journal in it",
            journal_.string(), *of, staged_.file, staged_.station->id);
        return ExitCode::config;
    }
    auto recovered = recover(**reader);
    if (!recovered) {
        spdlog::critical("{}", journal::to_text(recovered.error()));
        not_writable_ = recovered.error();
        writer_.reset();
        return look_for_rules();  // if any: up, withheld, and explaining
    }
    recovered_ = std::move(*recovered);
    if (!recovered_.note.empty())
        spdlog::warn("{}", recovered_.note);
    if (const ExitCode code = look_for_rules(); code != ExitCode::orderly)
        return code;
    const auto names = (*reader)->person_names();
    const auto credentials = (*reader)->credentials();
    if (!names || !credentials) {
        spdlog::critical("{}", journal::to_text(names ? credentials.error() : names.error()));
        return ExitCode::journal_failed;
    }
    read_people(*names, *credentials);
    if (writer_)
        open_hand_note();
    if (auto reserve = journal::Reserve::keep(journal_, journal::reserve_kept))
        reserve_ = std::move(*reserve);
    else
        spdlog::warn("{}", journal::to_text(reserve.error()));
    return ExitCode::orderly;
}

// Somebody whose name or secret was changed past the record is not known by it.
void Run::read_people(const std::vector<journal::PersonName>& names,
                      const std::vector<journal::Credential>& credentials) {
    const auto recorded = [&](domain::PersonNumber number) {
        const auto& people = recovered_.state.people;
        const auto known = std::ranges::find(people, number, &domain::Person::number);
        return known == people.end() ? domain::Person{} : *known;
    };
    for (const auto& name : names) {
        if (mark_of(name) == recorded(name.number).name_mark)
            people_.push_back({name.number, name.name, name.badge, {}});
        else
            changed_people_.push_back(fmt::format("the name or badge of person {}", name.number.value));
    }
    for (const auto& credential : credentials) {
        if (mark_of(credential) == recorded(credential.number).secret_mark)
            people_.push_back({credential.number, {}, {}, credential.argon2id});
        else
            changed_people_.push_back(fmt::format("the secret of person {}", credential.number.value));
    }
}

void Run::tell_of_changed_people() {
    if (changed_people_.empty())
        return;
    station_->raise({"people_changed",
                     fmt::format("what is stored is not what was recorded: {}; it is not used",
                                 fmt::join(changed_people_, ", ")),
                     "find out who could write to the journal's file, then let two people enrol them anew",
                     false});
}

// Not before the run is sure to decide something: a start that is refused is no run that died.
void Run::open_hand_note() {
    const auto stamp = clock_.stamp();
    auto hand = journal::HandNote::open(journal_, stamp.boot, stamp.monotonic_ns);
    if (hand)
        hand_ = std::move(*hand);
    else
        not_writable_ = hand.error();
}

people::Roster Run::read_roster() { return people::Roster(std::move(people_)); }

// The approved ones, or else those of the file: look_for_rules() has seen that there are some.
const config::Station& Run::some_rules() const {
    const config::Station* in_force = interlock::rules_of(station_->rule_book(), station_->state().rules);
    return in_force != nullptr ? *in_force : *staged_.station;
}

// Nobody is answered before the loop runs, and then there is an API.
ExitCode Run::listen(const config::Endpoint& endpoint) {
    auto server = web::Server::listen(loop_, endpoint, [this](web::Request request, web::Respond respond) {
        api_->handle(std::move(request), std::move(respond));
    });
    if (!server) {
        spdlog::critical("{}: {}; {}", server.error().what, server.error().why, server.error().remedy);
        return ExitCode::port_in_use;
    }
    server_ = std::move(*server);
    return ExitCode::orderly;
}

// Of those whom the record has as locked; a restart lets nobody try anew.
std::vector<std::pair<domain::PersonNumber, std::chrono::seconds>> Run::locked_still() const {
    std::vector<std::pair<domain::PersonNumber, std::chrono::seconds>> locked;
    const auto now = clock_.stamp().utc_us;
    for (const interlock::SignInLock& lock : station_->state().locks) {
        if (lock.until_utc_us > now)
            locked.emplace_back(lock.person, std::chrono::ceil<std::chrono::seconds>(
                                                 std::chrono::microseconds{lock.until_utc_us - now}));
    }
    return locked;
}

ExitCode Run::serve_http() {
    const config::Endpoint endpoint = some_rules().api;
    if (!server_) {
        if (const ExitCode code = listen(endpoint); code != ExitCode::orderly)
            return code;
    }
    web::ApiSettings settings;
    settings.note = [](const std::string& line) { spdlog::info("{}", line); };
    if (writable_ && station_->state().people.empty()) {
        auto code = people::EnrolmentCode::draw(options_.state_folder.string());
        if (!code) {
            spdlog::critical("{}: {}; {}", code.error().what, code.error().why, code.error().remedy);
            return ExitCode::usage;
        }
        spdlog::info("nobody is enrolled yet; the code for the first administrator is in {}", code->file());
        settings.enrolment_code = std::move(*code);
    }
    settings.replacement = people::ReplacementPass(options_.state_folder.string());
    settings.locked = locked_still();
    api_ = std::make_unique<web::Api>(loop_, *station_, read_roster(), std::move(settings));
    station_->set_badges([this](std::string_view badge) { return api_->person_with_badge(badge); });
    station_->set_durable_listener([this] { api_->on_durable(); });
    api_->set_own_authority(endpoint.address, server_->port());
    spdlog::info("listening on http://{}:{}", endpoint.address, server_->port());
    return ExitCode::orderly;
}

void Run::end_with(ExitCode code) {
    code_ = code;
    last_words_.expires_after(last_words);
    last_words_.async_wait([this](const boost::system::error_code&) { loop_.stop(); });
}

void Run::wait_for_signals() {
    signals_.add(SIGINT);
    signals_.add(SIGTERM);
    signals_.async_wait([this](const boost::system::error_code& error, int) {
        if (!error)
            station_->stop([this] { end_with(code_); });
    });
}

ExitCode Run::start_and_serve() {
    if (const ExitCode code = prepare(); code != ExitCode::orderly)
        return code;
    withhold_first();
    if (const ExitCode code = open_journal(); code != ExitCode::orderly)
        return code;
    Station::Parts parts;
    parts.journal = journal_.string();
    parts.folder = options_.state_folder;
    parts.program_version = options_.program_version;
    parts.staged = staged_;
    parts.recovered = std::move(recovered_);
    const auto fault = not_writable_;
    writable_ = writer_ != nullptr;
    parts.writer = std::move(writer_);
    parts.hand = std::move(hand_);
    parts.reserve = std::move(reserve_);
    mark_->advance(parts.recovered.head.number);
    parts.wiring = std::move(first_wiring_);
    parts.durable = mark_;
    parts.archive = std::make_shared<web::JournalArchive>(journal_, options_.vfs);
    parts.vfs = options_.vfs;
    parts.probes = options_.probes;
    parts.clock = clock_;
    station_ = std::make_unique<Station>(loop_, std::move(parts));
    station_->set_fatal([this](ExitCode code) { end_with(code); });
    if (fault)
        station_->raise({"journal_not_usable", journal::to_text(*fault), fault->remedy, true});
    tell_of_changed_people();
    if (writable_)
        station_->begin();
    else
        station_->stand_by();
    if (const ExitCode code = serve_http(); code != ExitCode::orderly) {
        station_->stop([] {});
        return code;
    }
    wait_for_signals();
    spdlog::info(
        "up; its output is a process permissive, an added reason not to move, not a safety function");
    tell_ready("deciding");
    loop_.run();
    if (code_ == ExitCode::orderly)
        spdlog::info("ended in order: asked to by a signal; every output is withheld");
    return code_;
}

}  // namespace

ExitCode check_config(const fs::path& file) {
    const auto loading = config::load_station_file(file.string());
    const bool usable = loading.station.has_value();
    for (const auto& finding : loading.findings)
        std::puts(config::to_text(finding).c_str());
    std::puts(usable ? "The configuration can be used." : "The configuration cannot be used.");
    return usable ? ExitCode::orderly : ExitCode::findings;
}

namespace {

// What tables that were made again do not put right: sentences with their remedies.
std::expected<std::vector<std::string>, journal::JournalError> still_wrong(const fs::path& journal) {
    auto reader = journal::Reader::open(journal);
    if (!reader)
        return std::unexpected(reader.error());
    const auto pages = (*reader)->check_file();
    if (!pages)
        return std::unexpected(pages.error());
    std::vector<std::string> sentences;
    if (!pages->empty())
        sentences.push_back(*pages + "; keep the file and bring back the latest backup");
    const auto differences = journal::audit_beside_chain(journal);
    if (!differences)
        return std::unexpected(differences.error());
    for (const auto& difference : *differences)
        sentences.push_back(journal::to_text(difference));
    return sentences;
}

}  // namespace

ExitCode rebuild_tables(const StartOptions& options) {
    const auto failed = [](const journal::JournalError& error) {
        spdlog::critical("{}", journal::to_text(error));
        return error.fault == journal::JournalFault::in_use ? ExitCode::locked : ExitCode::journal_failed;
    };
    const auto staged = read_staged(options.config);
    const auto path = journal_path(staged, options.state_folder);
    if (!path) {
        spdlog::critical("{}: names no journal that is in {}; correct the file, or the folder", staged.file,
                         options.state_folder.string());
        return ExitCode::config;
    }
    // Before the lock, which would make the folder's first file.
    auto reader = journal::Reader::open(*path);
    if (!reader)
        return failed(reader.error());
    const auto lock = journal::StationLock::take(*path);
    if (!lock)
        return failed(lock.error());
    const auto lost = (*reader)->lost_tables();
    if (!lost)
        return failed(lost.error());
    if (!lost->empty()) {
        for (const auto& each : *lost)
            spdlog::critical("{}: {}; nothing was made again", path->string(), journal::to_text(each));
        return ExitCode::journal_failed;
    }
    const auto fault = (*reader)->verify();
    if (!fault)
        return failed(fault.error());
    if (*fault) {
        spdlog::critical(
            "{}: event {} {}; nothing was made again: keep the file and bring back the latest backup",
            path->string(), (*fault)->first.value, (*fault)->what);
        return ExitCode::journal_failed;
    }
    reader->reset();
    const auto events = journal::rebuild(*path);
    if (!events)
        return failed(events.error());
    std::puts(fmt::format("{}: the tables were made again from {} events", path->string(), *events).c_str());
    const auto wrong = still_wrong(*path);
    if (!wrong)
        return failed(wrong.error());
    for (const std::string& each : *wrong)
        spdlog::critical("{}: still wrong: {}", path->string(), each);
    return wrong->empty() ? ExitCode::orderly : ExitCode::journal_failed;
}

ExitCode run(const StartOptions& options) {
    if (sodium_init() < 0) {
        spdlog::critical("libsodium cannot be started; without it nothing can be hashed or signed");
        return ExitCode::core_failed;
    }
    umask(S_IRWXG | S_IRWXO);  // the journal holds credentials: for the service's user alone
    Run run(options);
    return run.start_and_serve();
}

}  // namespace tautgate::station
