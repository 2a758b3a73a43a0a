#include "service/journal/writer.hpp"

#include <algorithm>
#include <atomic>
#include <cassert>
#include <condition_variable>
#include <mutex>
#include <thread>
#include <utility>
#include <vector>

#include <SQLiteCpp/Statement.h>
#include <sqlite3.h>

#include "service/journal/codec.hpp"
#include "service/journal/database.hpp"
#include "service/journal/packed.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/schema.hpp"

namespace tautgate::journal {
namespace {

using Clock = std::chrono::steady_clock;

struct Head {
    EventNumber number;
    Hash hash{};
};

Head head_of(SQLite::Database& db) {
    SQLite::Statement ask(db, "SELECT number, hash FROM event ORDER BY number DESC LIMIT 1");
    if (!ask.executeStep())
        return {EventNumber{}, genesis_of(db)};
    Head head{EventNumber{static_cast<std::uint64_t>(ask.getColumn(0).getInt64())}, {}};
    const std::string bytes = ask.getColumn(1).getString();
    assert(bytes.size() == head.hash.size());  // the table's own check
    std::ranges::copy(bytes, head.hash.begin());
    return head;
}

}  // namespace

class Writer::Work {
  public:
    Work(Options options, Connection db);
    ~Work() { close(); }
    Work(const Work&) = delete;
    Work& operator=(const Work&) = delete;
    Work(Work&&) = delete;
    Work& operator=(Work&&) = delete;

    void append(Entry entry);
    void close();
    [[nodiscard]] EventNumber head_at_opening() const noexcept { return head_at_opening_; }
    [[nodiscard]] std::optional<std::chrono::nanoseconds> outstanding() const noexcept;
    [[nodiscard]] Statistics statistics() const;

  private:
    void run();
    // True: there is a group to write. False: there is nothing left and the writer is to end.
    [[nodiscard]] bool next_group(std::vector<Entry>& group);
    [[nodiscard]] bool checkpoint_due(std::uint32_t from) const;
    void begin();
    void begin_ahead() noexcept;
    void commit(const std::vector<Entry>& group);
    void write(const Entry& entry);
    void attach(const Attachment& attachment);
    void checkpoint();
    void fail(const JournalError& error);
    void reached(std::string_view point) const {
        if (options_.at_point)
            options_.at_point(point);
    }

    Options options_;
    Connection db_;
    Projection projection_;
    SQLite::Statement begin_, end_, event_, document_, person_, erased_, credential_, samples_;
    Head head_;  // of what is written; the writer's thread only
    EventNumber head_at_opening_;
    bool begun_ = false;
    std::uint32_t wal_frames_ = 0;  // in the log, set by SQLite within a commit
    std::uint32_t wal_moved_ = 0;   // of these, dealt with by the newest checkpoint

    mutable std::mutex mutex_;
    std::condition_variable arrived_;
    std::vector<Entry> queue_;
    EventNumber newest_;  // handed over
    bool closing_ = false;
    bool failed_ = false;
    Statistics statistics_;
    // When the oldest event came that waits in the queue or in the running commit; 0: none does.
    std::atomic<std::int64_t> queued_since_ns_{0};
    std::atomic<std::int64_t> writing_since_ns_{0};
    std::thread thread_;
};

Writer::Work::Work(Options options, Connection db)
    : options_(std::move(options)), db_(std::move(db)), projection_(*db_), begin_(*db_, "BEGIN IMMEDIATE"),
      end_(*db_, "COMMIT"), event_(*db_, "INSERT INTO event(number, body, hash) VALUES(?, ?, ?)"),
      document_(*db_, "INSERT OR IGNORE INTO document(digest, kind, text) VALUES(?, ?, ?)"),
      person_(*db_, "INSERT OR REPLACE INTO person_name(number, name, badge, salt) VALUES(?, ?, ?, ?)"),
      erased_(*db_, "DELETE FROM person_name WHERE number = ?"),
      credential_(*db_, "INSERT OR REPLACE INTO credential(number, argon2id) VALUES(?, ?)"),
      samples_(*db_, "INSERT OR IGNORE INTO trace_samples(digest, bytes, frame) VALUES(?, ?, ?)"),
      head_(head_of(*db_)), head_at_opening_(head_.number), newest_(head_.number) {
    sqlite3_wal_hook(
        db_->getHandle(),
        [](void* self, sqlite3*, const char*, int frames) {
            static_cast<Work*>(self)->wal_frames_ = static_cast<std::uint32_t>(frames);
            return SQLITE_OK;
        },
        this);
    thread_ = std::thread([this] { run(); });
}

void Writer::Work::append(Entry entry) {
    bool first = false;
    {
        const std::scoped_lock lock(mutex_);
        assert(!closing_);
        assert(entry.stored.event.number.value == newest_.value + 1);
        newest_ = entry.stored.event.number;
        first = queue_.empty();
        if (first)
            queued_since_ns_ = Clock::now().time_since_epoch().count();
        queue_.push_back(std::move(entry));
    }
    arrived_.notify_one();
    // Where both threads share a processor, the disk would wait for what the caller does next.
    if (first)
        std::this_thread::yield();
}

std::optional<std::chrono::nanoseconds> Writer::Work::outstanding() const noexcept {
    std::int64_t since = writing_since_ns_;
    if (since == 0)
        since = queued_since_ns_;
    if (since == 0)
        return std::nullopt;
    return std::max(Clock::now().time_since_epoch() - std::chrono::nanoseconds(since),
                    std::chrono::nanoseconds(0));
}

Statistics Writer::Work::statistics() const {
    const std::scoped_lock lock(mutex_);
    return statistics_;
}

bool Writer::Work::checkpoint_due(std::uint32_t from) const {
    return !failed_ && wal_frames_ >= wal_moved_ + from;
}

bool Writer::Work::next_group(std::vector<Entry>& group) {
    std::unique_lock lock(mutex_);
    group.clear();
    const auto something = [this] { return closing_ || (!failed_ && !queue_.empty()); };
    while (!something()) {
        if (!checkpoint_due(options_.checkpoints.idle_from)) {
            arrived_.wait(lock, something);
        } else if (!arrived_.wait_for(lock, options_.checkpoints.idle_after, something)) {
            lock.unlock();
            checkpoint();
            lock.lock();
        }
    }
    if (failed_ || queue_.empty())
        return false;
    group.swap(queue_);
    writing_since_ns_ = queued_since_ns_.exchange(0);
    return true;
}

void Writer::Work::run() {
    std::vector<Entry> group;
    while (next_group(group)) {
        if (checkpoint_due(options_.checkpoints.busy_from))
            checkpoint();
        const auto done = guarded(options_.path, "storing event " + std::to_string(head_.number.value + 1),
                                  [&]() -> std::expected<void, JournalError> {
                                      commit(group);
                                      return {};
                                  });
        if (!done) {
            fail(done.error());
            continue;
        }
        writing_since_ns_ = 0;
        if (options_.on_durable)
            options_.on_durable(head_.number);
        begin_ahead();
    }
    if (!failed_)
        checkpoint();
}

void Writer::Work::begin() {
    begin_.exec();
    begin_.reset();
    begun_ = true;
}

// The next group finds its transaction begun: this is the only writer, and readers do not mind. Where it
// fails, that group begins its own and tells why it cannot.
void Writer::Work::begin_ahead() noexcept {
    try {
        begin();
    } catch (const SQLite::Exception&) {
        begun_ = false;
        begin_.tryReset();
    }
}

void Writer::Work::commit(const std::vector<Entry>& group) {
    const std::uint32_t frames_before = wal_frames_;
    reached("before_write");

    if (!begun_)
        begin();
    for (const Entry& entry : group)
        write(entry);

    reached("before_sync");
    end_.exec();
    end_.reset();
    begun_ = false;

    reached("after_sync");

    // A log that was moved whole begins anew.
    if (wal_frames_ <= frames_before)
        wal_moved_ = 0;
    const std::scoped_lock lock(mutex_);
    statistics_.events += group.size();
    statistics_.commits += 1;
    statistics_.largest_group = std::max<std::uint64_t>(statistics_.largest_group, group.size());
    statistics_.wal_pages += wal_frames_ > frames_before ? wal_frames_ - frames_before : wal_frames_;
    statistics_.wal_frames = wal_frames_;
}

void Writer::Work::write(const Entry& entry) {
    const std::string body = encode(entry.stored);

    const Hash hash = chained(head_.hash, body);

    event_.bind(1, static_cast<std::int64_t>(entry.stored.event.number.value));
    event_.bindNoCopy(2, body);
    event_.bindNoCopy(3, hash.data(), static_cast<int>(hash.size()));
    event_.exec();
    event_.reset();

    for (const Attachment& attachment : entry.attachments)
        attach(attachment);
    projection_.add(entry.stored);
    head_ = {entry.stored.event.number, hash};
}

void Writer::Work::attach(const Attachment& attachment) {
    if (const auto* document = std::get_if<Document>(&attachment)) {
        assert(document->digest == hex(sha256(document->text)));
        document_.bindNoCopy(1, document->digest);
        document_.bindNoCopy(2, document->kind);
        document_.bindNoCopy(3, document->text);
        document_.exec();
        document_.reset();
    } else if (const auto* person = std::get_if<PersonName>(&attachment)) {
        person_.bind(1, static_cast<std::int64_t>(person->number.value));
        person_.bindNoCopy(2, person->name);
        person_.bindNoCopy(3, person->badge);
        person_.bindNoCopy(4, person->salt);
        person_.exec();
        person_.reset();
    } else if (const auto* erased = std::get_if<ErasedName>(&attachment)) {
        erased_.bind(1, static_cast<std::int64_t>(erased->number.value));
        erased_.exec();
        erased_.reset();
    } else if (const auto* samples = std::get_if<TraceSamples>(&attachment)) {
        assert(samples->digest == hex(sha256(samples->bytes)));
        const std::string frame = packed(samples->bytes);
        samples_.bindNoCopy(1, samples->digest);
        samples_.bind(2, static_cast<std::int64_t>(samples->bytes.size()));
        samples_.bindNoCopy(3, frame.data(), static_cast<int>(frame.size()));
        samples_.exec();
        samples_.reset();
    } else {
        const auto& credential = std::get<Credential>(attachment);
        credential_.bind(1, static_cast<std::int64_t>(credential.number.value));
        credential_.bindNoCopy(2, credential.argon2id);
        credential_.exec();
        credential_.reset();
    }
}

// Passive: never waits for a reader. A checkpoint that does not succeed loses nothing, since the log keeps
// what it holds; a disk that refuses will refuse the next commit, too.
void Writer::Work::checkpoint() {
    if (begun_) {
        static_cast<void>(db_->tryExec("ROLLBACK"));  // of a transaction begun ahead; nothing is in it
        begun_ = false;
    }
    int in_log = 0;
    int moved = 0;
    const int code =
        sqlite3_wal_checkpoint_v2(db_->getHandle(), nullptr, SQLITE_CHECKPOINT_PASSIVE, &in_log, &moved);
    const bool whole = code == SQLITE_OK && moved == in_log;
    const std::scoped_lock lock(mutex_);
    (whole ? statistics_.checkpoints : statistics_.checkpoints_put_off) += 1;
    // The next attempt waits until there is something to gain.
    wal_moved_ = wal_frames_;
}

void Writer::Work::fail(const JournalError& error) {
    {
        const std::scoped_lock lock(mutex_);
        failed_ = true;
        statistics_.failed = error;
    }
    if (options_.on_failure)
        options_.on_failure(error);
}

void Writer::Work::close() {
    {
        const std::scoped_lock lock(mutex_);
        closing_ = true;
    }
    arrived_.notify_one();
    if (thread_.joinable())
        thread_.join();
}

Writer::Writer(std::unique_ptr<Work> work) : work_(std::move(work)) {}
Writer::~Writer() = default;

std::expected<std::unique_ptr<Writer>, JournalError> Writer::open(Options options) {
    auto db = open_for_writing(options.path, options.station, options.vfs);
    if (!db)
        return std::unexpected(db.error());
    const std::filesystem::path path = options.path;
    return guarded(path, "reading the head of the journal",
                   [&]() -> std::expected<std::unique_ptr<Writer>, JournalError> {
                       if (auto lost = derived_tables_lost(**db, path))
                           return std::unexpected(std::move(*lost));
                       return std::unique_ptr<Writer>(
                           new Writer(std::make_unique<Work>(std::move(options), std::move(*db))));
                   });
}

void Writer::append(Entry entry) { work_->append(std::move(entry)); }
EventNumber Writer::head_at_opening() const noexcept { return work_->head_at_opening(); }
std::optional<std::chrono::nanoseconds> Writer::outstanding() const noexcept { return work_->outstanding(); }
Statistics Writer::statistics() const { return work_->statistics(); }
void Writer::close() { work_->close(); }

}  // namespace tautgate::journal
