/*
 * tickseam for C++17: include/tickseam.h with types that keep its rules. Header only; link the same library.
 *
 * ERRORS: nothing throws. What can be refused answers `tickseam::status` or `tickseam::result`, both [[nodiscard]]. A refused call
 * changes nothing unless its comment says so.
 *
 * MEMORY: nothing is allocated; views and configurations are not kept beyond the call.
 *
 * THREADS: one session, one thread at a time, const functions included; everything else is plain data, free functions and clock maps
 * are for any thread.
 *
 * UNITS stand in the names; host stamps are `std::chrono::nanoseconds` since any origin. Positive drift = the headset's clock runs fast
 * against the phone's. Structs and constants that this file does not explain are those of tickseam.h.
 */
#ifndef TICKSEAM_HPP
#define TICKSEAM_HPP

#include "tickseam.h"

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <optional>
#include <type_traits>
#include <utility>

namespace tickseam {

using std::chrono::nanoseconds;

/* What a call answers: the TICKSEAM_ERROR_... of the same name. Any thread. */
enum class [[nodiscard]] status : std::int32_t {
    ok = TICKSEAM_OK,
    null = TICKSEAM_ERROR_NULL,
    misaligned = TICKSEAM_ERROR_MISALIGNED,
    short_memory = TICKSEAM_ERROR_SHORT_MEMORY,
    struct_size = TICKSEAM_ERROR_STRUCT_SIZE,
    no_session = TICKSEAM_ERROR_NO_SESSION,
    value = TICKSEAM_ERROR_VALUE,
    stream = TICKSEAM_ERROR_STREAM,
    not_yet = TICKSEAM_ERROR_NOT_YET,
    no_more = TICKSEAM_ERROR_NO_MORE,
    not_saved = TICKSEAM_ERROR_NOT_SAVED,
    other_build = TICKSEAM_ERROR_OTHER_BUILD,
    altered = TICKSEAM_ERROR_ALTERED,
};

/* Words for a status, for logs; live as long as the library. */
[[nodiscard]] inline const char *text(status code) noexcept {
    return tickseam_status_text(static_cast<std::int32_t>(code));
}

/* True where the linked library has the binary interface and the session size of the header: ask once where it is shared. */
[[nodiscard]] inline bool library_fits() noexcept {
    return tickseam_abi() == TICKSEAM_ABI && tickseam_session_size() == TICKSEAM_SESSION_SIZE &&
           tickseam_session_align() == TICKSEAM_SESSION_ALIGN && tickseam_saved_size() == TICKSEAM_SAVED_SIZE;
}

/* A status and, where it is ok, a value; of a refused call the value is all zeros. Plain data, any thread. */
template <class T>
class [[nodiscard]] result {
  public:
    constexpr result(tickseam::status refused) noexcept : status_{refused}, value_{} {}
    constexpr result(tickseam::status code, const T &value) noexcept
        : status_{code}, value_{code == tickseam::status::ok ? value : T{}} {}

    /* True where the call did what it says. */
    [[nodiscard]] constexpr explicit operator bool() const noexcept { return status_ == tickseam::status::ok; }
    [[nodiscard]] constexpr tickseam::status status() const noexcept { return status_; }
    [[nodiscard]] constexpr const T &value() const noexcept { return value_; }
    [[nodiscard]] constexpr const T &operator*() const noexcept { return value_; }
    [[nodiscard]] constexpr const T *operator->() const noexcept { return &value_; }

  private:
    tickseam::status status_;
    T value_;
};

/* Elements of somebody else's array, which has to outlive the call it is lent to. Empty: no array. Any thread. */
template <class T>
class view {
  public:
    constexpr view() noexcept = default;
    constexpr view(T *data, std::size_t size) noexcept : data_{data}, size_{size} {}
    template <std::size_t N>
    constexpr view(T (&array)[N]) noexcept : data_{array}, size_{N} {}
    /* Of whatever has data() and size(): std::array, std::vector, std::span. */
    template <class Lender, class Element = std::remove_pointer_t<decltype(std::declval<Lender &>().data())>,
              class = std::enable_if_t<std::is_convertible_v<Element (*)[], T (*)[]> &&
                                       std::is_convertible_v<decltype(std::declval<Lender &>().size()), std::size_t>>>
    constexpr view(Lender &lender) noexcept : data_{lender.data()}, size_{lender.size()} {}

    [[nodiscard]] constexpr T *data() const noexcept { return data_; }
    [[nodiscard]] constexpr std::size_t size() const noexcept { return size_; }

  private:
    T *data_ = nullptr;
    std::size_t size_ = 0;
};

/* What is known of the device before the first packet: fields and ranges of tickseam_config, all 0 at first. Any thread. */
struct config : tickseam_config {
    config() noexcept : tickseam_config{} { struct_size = sizeof(tickseam_config); }
};

/* A received packet: its host stamp, what it says of itself. Plain data, any thread. */
struct packet {
    /* A clock that never jumps, read first in the callback. */
    nanoseconds host{};
    /* As sent. */
    std::uint64_t sequence = 0;
    /* The device's tick at the first sample, as sent; empty where the packet carries none. */
    std::optional<std::uint64_t> tick{};
    /* Samples in the packet. */
    std::uint32_t samples = 0;
    /* From 0, the reference. */
    std::uint32_t stream = 0;
};

/* An instant of the host's clock: `u_us` its standard uncertainty, `u95_us` the half-width of its 95 % interval. Any thread. */
struct host_instant {
    nanoseconds at{};
    double u_us = 0.0;
    double u95_us = 0.0;
};

/* What a packet did: tickseam_answer; `disposition` is TICKSEAM_IN_ORDER to TICKSEAM_REJECTED. */
using answer = tickseam_answer;
/* Where an event fell, s and samples of stream 0, and how surely, us. */
using placement = tickseam_placement;
/* An instant of a device's timeline, s; its uncertainties, us of device time. */
using device_instant = tickseam_device_instant;
/* A run of missing packets. */
using gap = tickseam_gap;
/* How a session stands; `knowledge` is TICKSEAM_KNOWS_NOTHING, TICKSEAM_COLD or TICKSEAM_TRACKING. */
using state = tickseam_state;
/* What the arrivals show of the link. */
using link = tickseam_link;
/* What was counted. */
using counters = tickseam_counters;
/* What a replay found on its way. */
using replay_report = tickseam_replay_report;

namespace detail {

/* An output that says its own size. */
template <class T>
T sized() noexcept {
    T out{};
    out.struct_size = sizeof(T);
    return out;
}

inline result<host_instant> host(std::int32_t code, const tickseam_host_instant &out) noexcept {
    return {static_cast<status>(code), host_instant{nanoseconds{out.host_ns}, out.u_us, out.u95_us}};
}

}  // namespace detail

/* Words for a disposition; live as long as the library. Any thread. */
[[nodiscard]] inline const char *disposition_text(std::int32_t disposition) noexcept { return tickseam_disposition_text(disposition); }

/* Words for a line of a budget, TICKSEAM_LINE_...; live as long as the library. Any thread. */
[[nodiscard]] inline const char *line_text(std::int32_t line) noexcept { return tickseam_line_text(line); }

/* One line of a placement's budget, half-width of 95 %, us. Errors: struct_size (no placement), value (no such line). Any thread. */
inline result<double> line_of(const placement &placed, std::int32_t line) noexcept {
    double half_width_us = 0.0;
    return {static_cast<status>(tickseam_placement_line(&placed, line, &half_width_us)), half_width_us};
}

/*
 * Which host time belongs to which device time, as a session knew it when the map was taken. A value: copy it to any thread, it does not
 * change. Device times in s on the map's timeline. One that no session gave is refused: struct_size, value.
 */
class clock_map {
  public:
    constexpr clock_map() noexcept = default;
    constexpr explicit clock_map(const tickseam_map &plain) noexcept : plain_{plain} {}

    /* Host time of a device time; outside the map's stretch the uncertainty grows. Errors: value (not finite). */
    result<host_instant> host_at(double device_s) const noexcept {
        tickseam_host_instant out{};
        const std::int32_t code = tickseam_map_host_at(&plain_, device_s, &out);
        return detail::host(code, out);
    }

    /* Device time of a host time; add half a step of the host's stamps where they round down. */
    result<device_instant> device_at(nanoseconds host) const noexcept {
        device_instant out{};
        const std::int32_t code = tickseam_map_device_at(&plain_, host.count(), &out);
        return {static_cast<status>(code), out};
    }

    /* By how much the device's clock runs fast against the host's, ppm. */
    result<double> drift_ppm() const noexcept {
        double out = 0.0;
        const std::int32_t code = tickseam_map_drift(&plain_, &out);
        return {static_cast<status>(code), out};
    }

    /* The map the other way: its device is this one's host, counted in ns; its host time is this one's device time since zero. */
    result<clock_map> invert() const noexcept {
        tickseam_map out = detail::sized<tickseam_map>();
        const std::int32_t code = tickseam_map_invert(&plain_, &out);
        return {static_cast<status>(code), clock_map{out}};
    }

    /* From this one's device to the host of `onward`, whose device is this one's host counted in ns. Half-widths add. */
    result<clock_map> chain(const clock_map &onward) const noexcept {
        tickseam_map out = detail::sized<tickseam_map>();
        const std::int32_t code = tickseam_map_chain(&plain_, &onward.plain_, &out);
        return {static_cast<status>(code), clock_map{out}};
    }

    /* Its numbers. */
    [[nodiscard]] constexpr const tickseam_map &plain() const noexcept { return plain_; }

  private:
    tickseam_map plain_{};
};

/*
 * A live session: observes packets, places events. It lies in the object itself (16.5 KiB, so rather static or a member than on a small
 * stack), nothing is freed. A copy is a snapshot: both go on from here, each for itself. A move is a copy too, the source stays a session.
 * A session that was not begun or restored answers no_session. One thread at a time, copying included. Times as in tickseam.h.
 */
class session {
  public:
    /*
     * Begins anew and forgets what was. Errors: stream, value (a field out of its range); on any of them the session is as it was.
     * 40 KiB of stack.
     */
    status begin(const config &known) noexcept {
        tickseam_session *handle = nullptr;
        return static_cast<status>(tickseam_session_init(memory_, sizeof memory_, &known, &handle));
    }

    /*
     * Takes a packet, in the order of reception, from the radio's callback. A packet that cannot be used is no error: the answer says
     * what it did. Errors: no_session. 0.2 us on average, up to 100 us; 12 KiB of stack.
     */
    result<answer> observe(const packet &received) noexcept {
        const tickseam_packet plain{received.host.count(), received.sequence,           received.tick.value_or(0), received.samples,
                                    received.stream,       received.tick.has_value() ? 1U : 0U, 0};
        answer out = detail::sized<answer>();
        const std::int32_t code = tickseam_session_observe_packet(handle(), &plain, &out);
        return {static_cast<status>(code), out};
    }

    /*
     * Takes an exchange of time stamps (T1 to T4 of RFC 5905): request sent at host time `origin`, received at `receive_tick`; reply
     * sent at `transmit_tick`, received at `destination`. The value is TICKSEAM_SIGHTING_.... Errors: no_session.
     */
    result<std::int32_t> observe_exchange(nanoseconds origin, std::uint64_t receive_tick, std::uint64_t transmit_tick,
                                          nanoseconds destination) noexcept {
        std::int32_t out = 0;
        const std::int32_t code =
            tickseam_session_observe_exchange(handle(), origin.count(), receive_tick, transmit_tick, destination.count(), &out);
        return {static_cast<status>(code), out};
    }

    /* Takes an instant that the host stamped and the device saw at a tick. The value is TICKSEAM_SIGHTING_.... Errors: no_session. */
    result<std::int32_t> observe_marker(nanoseconds host, std::uint64_t tick) noexcept {
        std::int32_t out = 0;
        const std::int32_t code = tickseam_session_observe_marker(handle(), host.count(), tick, &out);
        return {static_cast<status>(code), out};
    }

    /*
     * Places an event whose physical instant was `latency_us` after its stamp (negative: before), with standard uncertainty
     * `latency_u_us`; a second or more after it happened. Errors: no_session, value (a latency beyond an hour), not_yet.
     */
    result<placement> place(nanoseconds host, double latency_us = 0.0, double latency_u_us = 0.0) const noexcept {
        placement out = detail::sized<placement>();
        const std::int32_t code = tickseam_session_place(handle(), host.count(), latency_us, latency_u_us, &out);
        return {static_cast<status>(code), out};
    }

    /* Host time of a time on the running segment's timeline, s: the way back. Errors: no_session, value (not finite), not_yet. */
    result<host_instant> host_at(double device_s) const noexcept {
        tickseam_host_instant out{};
        const std::int32_t code = tickseam_session_host_at(handle(), device_s, &out);
        return detail::host(code, out);
    }

    /* The running segment's clock map as it is known now, for any thread. Errors: no_session, not_yet. */
    result<clock_map> map() const noexcept {
        tickseam_map out = detail::sized<tickseam_map>();
        const std::int32_t code = tickseam_session_map(handle(), &out);
        return {static_cast<status>(code), clock_map{out}};
    }

    /*
     * The first run of missing packets of a stream that ends at or after unwrapped sequence number `from_index`; ask again from
     * first_index + packets. Errors: no_session, stream, no_more.
     */
    result<gap> next_gap(std::uint32_t stream, std::int64_t from_index = std::numeric_limits<std::int64_t>::min()) const noexcept {
        gap out{};
        const std::int32_t code = tickseam_session_next_gap(handle(), stream, from_index, &out);
        return {static_cast<status>(code), out};
    }

    /* How much is known, segment, newest packet, what is missing. Errors: no_session. */
    result<tickseam::state> state() const noexcept {
        tickseam::state out = detail::sized<tickseam::state>();
        const std::int32_t code = tickseam_session_state(handle(), &out);
        return {static_cast<status>(code), out};
    }

    /* What the arrivals show of the link: its grid and the beat. Errors: no_session. */
    result<tickseam::link> link() const noexcept {
        tickseam::link out = detail::sized<tickseam::link>();
        const std::int32_t code = tickseam_session_link(handle(), &out);
        return {static_cast<status>(code), out};
    }

    /* What was counted since the session began. Errors: no_session. */
    result<tickseam::counters> counters() const noexcept {
        tickseam::counters out = detail::sized<tickseam::counters>();
        const std::int32_t code = tickseam_session_counters(handle(), &out);
        return {static_cast<status>(code), out};
    }

    /* Saves the session to at least TICKSEAM_SAVED_SIZE bytes; the value is the bytes used. Errors: null, no_session, short_memory. */
    result<std::size_t> save(view<unsigned char> saved) const noexcept {
        std::size_t out = 0;
        const std::int32_t code = tickseam_session_save(handle(), saved.data(), saved.size(), &out);
        return {static_cast<status>(code), out};
    }

    /*
     * Goes on from saved bytes, of the same build of the library and kept where nobody else writes. Errors: null, short_memory,
     * not_saved, other_build, altered (by accident; forged bytes are not noticed); on any of them the session is as it was.
     */
    status restore(view<const unsigned char> saved) noexcept {
        tickseam_session *handle = nullptr;
        return static_cast<status>(
            tickseam_session_restore(memory_, sizeof memory_, saved.data(), saved.size(), &handle));
    }

  private:
    tickseam_session *handle() noexcept { return reinterpret_cast<tickseam_session *>(memory_); }
    const tickseam_session *handle() const noexcept { return reinterpret_cast<const tickseam_session *>(memory_); }

    alignas(TICKSEAM_SESSION_ALIGN) unsigned char memory_[TICKSEAM_SESSION_SIZE] = {};
};

static_assert(std::is_trivially_copyable_v<session> && sizeof(session) == TICKSEAM_SESSION_SIZE, "a copy is a snapshot");
static_assert(std::is_trivially_copyable_v<clock_map> && sizeof(clock_map) == sizeof(tickseam_map), "a map is plain data");

/*
 * Packets of a recording in the order of reception, one view for each field, all of one length; `host_ns` and `sequence` are needed. An
 * empty one: all of stream 0, no ticks, every packet has its tick, the nominal number of samples. Any thread.
 */
struct packets {
    view<const std::int64_t> host_ns{};
    view<const std::uint32_t> stream{};
    view<const std::uint64_t> sequence{};
    view<const std::uint64_t> tick{};
    view<const std::uint8_t> has_tick{};
    view<const std::uint32_t> samples{};
};

/* Events to be placed, one view for each field, all of one length; `host_ns` is needed, an empty latency is 0. Any thread. */
struct events {
    view<const std::int64_t> host_ns{};
    view<const double> latency_us{};
    view<const double> latency_u_us{};
};

/* Exchanges and markers of a recording, in any order; the views of each kind are of one length, and those left empty are none. Any thread. */
struct sightings {
    view<const std::int64_t> origin_ns{};
    view<const std::uint64_t> receive_tick{};
    view<const std::uint64_t> transmit_tick{};
    view<const std::int64_t> destination_ns{};
    view<const std::int64_t> marker_host_ns{};
    view<const std::uint64_t> marker_tick{};
};

/* A piece of the memory that a replay works in: lend an array of them. */
struct alignas(TICKSEAM_SCRATCH_ALIGN) scratch_word {
    unsigned char bytes[TICKSEAM_SCRATCH_ALIGN];
};

namespace detail {

/* True where a view has the length that the others have, or may be left out and is. */
template <class T>
bool fits(const view<T> &field, std::size_t count, bool needed) noexcept {
    return field.size() == count || (!needed && field.data() == nullptr && field.size() == 0);
}

inline bool fit(const packets &of) noexcept {
    const std::size_t count = of.host_ns.size();
    return fits(of.sequence, count, true) && fits(of.stream, count, false) && fits(of.tick, count, false) &&
           fits(of.has_tick, count, false) && fits(of.samples, count, false);
}

inline bool fit(const events &of) noexcept {
    return fits(of.latency_us, of.host_ns.size(), false) && fits(of.latency_u_us, of.host_ns.size(), false);
}

inline bool fit(const sightings &of) noexcept {
    const std::size_t count = of.origin_ns.size();
    return of.receive_tick.size() == count && of.transmit_tick.size() == count && of.destination_ns.size() == count &&
           of.marker_tick.size() == of.marker_host_ns.size();
}

inline tickseam_events plain(const events &of) noexcept {
    tickseam_events out = sized<tickseam_events>();
    out.count = of.host_ns.size();
    out.host_ns = of.host_ns.data();
    out.latency_us = of.latency_us.data();
    out.latency_u_us = of.latency_u_us.data();
    return out;
}

inline tickseam_sightings plain(const sightings &of) noexcept {
    tickseam_sightings out = sized<tickseam_sightings>();
    out.exchange_count = of.origin_ns.size();
    out.marker_count = of.marker_host_ns.size();
    out.origin_ns = of.origin_ns.data();
    out.receive_tick = of.receive_tick.data();
    out.transmit_tick = of.transmit_tick.data();
    out.destination_ns = of.destination_ns.data();
    out.marker_host_ns = of.marker_host_ns.data();
    out.marker_tick = of.marker_tick.data();
    return out;
}

inline tickseam_packets plain(const packets &of) noexcept {
    tickseam_packets out = sized<tickseam_packets>();
    out.count = of.host_ns.size();
    out.host_ns = of.host_ns.data();
    out.stream = of.stream.data();
    out.sequence = of.sequence.data();
    out.tick = of.tick.data();
    out.has_tick = of.has_tick.data();
    out.samples = of.samples.data();
    return out;
}

}  // namespace detail

/* Words of scratch memory that `replay` needs for the same arguments. Errors: null, value (lengths differ, too many). Any thread. */
inline result<std::size_t> replay_scratch(const config &known, const packets &received, const events &asked,
                                          const sightings &seen = {}) noexcept {
    if (!detail::fit(received) || !detail::fit(asked) || !detail::fit(seen)) return status::value;
    const tickseam_packets plain = detail::plain(received);
    const tickseam_events plain_events = detail::plain(asked);
    const tickseam_sightings plain_sightings = detail::plain(seen);
    std::size_t bytes = 0;
    const std::int32_t code = tickseam_replay_scratch(&known, &plain, &plain_sightings, &plain_events, &bytes);
    return {static_cast<status>(code), bytes / sizeof(scratch_word) + (bytes % sizeof(scratch_word) != 0)};
}

/*
 * Replays a whole recording and places its events, looking ahead as a session cannot. `placements` has at least as many elements as
 * there are events. Errors: null, stream, value (lengths differ, a field out of its range), short_memory (fewer placements than events,
 * or lend twice the scratch where device times run back and forth), not_yet. Of a refused call no placement is written but the first
 * one's struct_size. Any thread, one for one scratch memory.
 */
inline result<replay_report> replay(const config &known, const packets &received, const events &asked, view<scratch_word> scratch,
                                    view<placement> placements, const sightings &seen = {}) noexcept {
    if (!detail::fit(received) || !detail::fit(asked) || !detail::fit(seen)) return status::value;
    if (placements.size() < asked.host_ns.size()) return status::short_memory;
    const tickseam_packets plain = detail::plain(received);
    const tickseam_events plain_events = detail::plain(asked);
    const tickseam_sightings plain_sightings = detail::plain(seen);
    replay_report out = detail::sized<replay_report>();
    if (placements.data() != nullptr && placements.size() > 0) placements.data()->struct_size = sizeof(placement);
    const std::int32_t code = tickseam_replay(&known, &plain, &plain_sightings, &plain_events, scratch.data(),
                                              scratch.size() * sizeof(scratch_word), placements.data(), &out);
    return {static_cast<status>(code), out};
}

}  // namespace tickseam

#endif
