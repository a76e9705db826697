/* The shared vector file, bit for bit, and the argument rules that the C++ types add. */
#include "../../c/tests/as_it_lies.h"
#include "tickseam.hpp"
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <iterator>
#include <utility>

#define CHECK(condition)                                                                    \
    do {                                                                                    \
        if (!(condition)) {                                                                 \
            std::fprintf(stderr, "%s:%d: not so: %s\n", __FILE__, __LINE__, #condition);    \
            std::exit(1);                                                                   \
        }                                                                                   \
    } while (0)

using namespace std::chrono_literals;
using tickseam::status;
using std::chrono::nanoseconds;

namespace {

constexpr int PACKETS = 1000;

double number(const char *word) { return std::strtod(word, nullptr); }
std::int64_t whole(const char *word) { return std::strtoll(word, nullptr, 10); }
std::uint64_t natural(const char *word) { return std::strtoull(word, nullptr, 10); }
std::uint32_t small(const char *word) { return static_cast<std::uint32_t>(natural(word)); }
nanoseconds stamp(const char *word) { return nanoseconds{whole(word)}; }

bool same_bits(double a, double b) { return std::memcmp(&a, &b, sizeof a) == 0; }

bool same_place(const tickseam::placement &a, const tickseam::placement &b) { return std::memcmp(&a, &b, sizeof a) == 0; }

bool all_bytes(const void *memory, std::size_t from, std::size_t size, unsigned char byte) {
    const auto *bytes = static_cast<const unsigned char *>(memory);
    for (std::size_t i = from; i < size; i++)
        if (bytes[i] != byte) return false;
    return true;
}

tickseam::config usual_config() {
    tickseam::config known;
    known.tick_bits = 32;
    known.tick_hz = 32768.0;
    known.tolerance_ppm = 50.0;
    known.host_step_us = 0.001;
    known.fixed_delay_us = 18000.0;
    known.fixed_delay_u_us = 200.0;
    known.fixed_delay_known = 1;
    known.stream_count = 1;
    known.streams[0] = {250.0, 5, 16};
    return known;
}

/* Packet n of a headset that sends on a grid of 15 ms. */
tickseam::packet usual_packet(int n) {
    return {7s + n * 20ms + 18ms + (14 - n * 20 % 15) * 1ms, static_cast<std::uint64_t>(n),
            static_cast<std::uint64_t>(n) * 32768 / 50, 5, 0};
}

void feed(tickseam::session &session, int from, int to) {
    for (int n = from; n < to; n++) CHECK(session.observe(usual_packet(n)));
}

void vectors(const char *path) {
    static tickseam::session session;
    char line[512];
    unsigned long row = 0, packets = 0, exchanges = 0, places = 0;
    std::FILE *file = std::fopen(path, "r");
    CHECK(file != nullptr);
    while (std::fgets(line, sizeof line, file) != nullptr) {
        const char *cell[16];
        int cells = 0;
        row++;
        if (line[0] == '#') continue;
        line[std::strcspn(line, "\n")] = 0;
        for (char *word = line; word != nullptr && cells < 16; cells++) {
            cell[cells] = word;
            word = std::strchr(word, ',');
            if (word != nullptr) *word++ = 0;
        }
        if (std::strcmp(cell[0], "config") == 0) {
            CHECK(cells == 11);
            tickseam::config known;
            known.tick_hz = number(cell[1]);
            known.tick_bits = small(cell[2]);
            known.tolerance_ppm = number(cell[3]);
            known.host_step_us = number(cell[4]);
            known.fixed_delay_us = number(cell[5]);
            known.fixed_delay_u_us = number(cell[6]);
            known.fixed_delay_known = 1;
            known.interval_us = number(cell[7]);
            known.stream_count = 1;
            known.streams[0] = {number(cell[8]), small(cell[9]), small(cell[10])};
            CHECK(session.begin(known) == status::ok);
        } else if (std::strcmp(cell[0], "packet") == 0) {
            CHECK(cells == 6);
            const auto answer = session.observe({stamp(cell[1]), natural(cell[2]), natural(cell[3]), small(cell[4]), 0});
            CHECK(answer);
            if (answer->disposition != whole(cell[5])) {
                std::fprintf(stderr, "%s:%lu: another disposition\n", path, row);
                std::exit(1);
            }
            packets++;
        } else if (std::strcmp(cell[0], "exchange") == 0) {
            CHECK(cells == 6);
            const auto sighted = session.observe_exchange(stamp(cell[1]), natural(cell[2]), natural(cell[3]), stamp(cell[4]));
            CHECK(sighted && *sighted == whole(cell[5]));
            exchanges++;
        } else if (std::strcmp(cell[0], "place") == 0) {
            CHECK(cells == 12);
            const auto placed = session.place(stamp(cell[1]), number(cell[2]), number(cell[3]));
            const auto map = session.map();
            CHECK(placed && map);
            const auto back = session.host_at(placed->device_s);
            CHECK(back);
            if (placed->segment != natural(cell[4]) || !same_bits(placed->device_s, number(cell[5])) ||
                !same_bits(placed->u_us, number(cell[6])) || !same_bits(placed->u95_us, number(cell[7])) ||
                !same_bits(placed->link_us, number(cell[8])) || !same_bits(map->plain().offset_us, number(cell[9])) ||
                !same_bits(map->plain().rate_ppm, number(cell[10])) || back->at != stamp(cell[11])) {
                std::fprintf(stderr, "%s:%lu: other bits\n", path, row);
                std::exit(1);
            }
            places++;
        } else {
            std::fprintf(stderr, "%s:%lu: no such row\n", path, row);
            std::exit(1);
        }
    }
    std::fclose(file);
    CHECK(packets > 2000 && exchanges > 0 && places > 50);
    std::printf("vectors: %lu packets, %lu exchanges, %lu placements, the same bits\n", packets, exchanges, places);
}

void a_session_not_begun_is_refused() {
    static tickseam::session session;
    const auto answer = session.observe(usual_packet(0));
    CHECK(!answer && answer.status() == status::no_session);
    CHECK(all_bytes(&*answer, 0, sizeof *answer, 0));
    CHECK(session.place(7s).status() == status::no_session);
    CHECK(session.map().status() == status::no_session);
    CHECK(session.observe_marker(7s, 0).status() == status::no_session);
    CHECK(session.begin(usual_config()) == status::ok);
    const auto early = session.place(7s);
    CHECK(!early && early.status() == status::not_yet && all_bytes(&*early, 0, sizeof *early, 0));
    const auto state = session.state();
    CHECK(state && state->knowledge == TICKSEAM_KNOWS_NOTHING);
}

void a_refused_begin_or_restore_leaves_the_session() {
    static tickseam::session session, before;
    static unsigned char saved[TICKSEAM_SAVED_SIZE];
    CHECK(session.begin(usual_config()) == status::ok);
    feed(session, 0, 100);
    before = session;
    tickseam::config wrong = usual_config();
    wrong.stream_count = 0;
    CHECK(session.begin(wrong) == status::stream);
    wrong = usual_config();
    wrong.tolerance_ppm = std::nan("");
    CHECK(session.begin(wrong) == status::value);
    CHECK(session.restore(saved) == status::not_saved);
    feed(session, 100, PACKETS), feed(before, 100, PACKETS);
    CHECK(session.counters()->in_order == PACKETS && same_place(*session.place(20s), *before.place(20s)));
    std::array<unsigned char, 16> too_short;
    too_short.fill(0xA5);
    CHECK(session.save(too_short).status() == status::short_memory);
    CHECK(all_bytes(too_short.data(), 0, too_short.size(), 0xA5));
    const auto written = session.save(saved);
    CHECK(written && *written > 0 && *written <= sizeof saved);
    MEANT_AS_IT_LIES(saved, *written);
    CHECK(session.begin(usual_config()) == status::ok && session.counters()->in_order == 0);
    saved[TICKSEAM_SAVED_SIZE / 2] ^= 1;
    CHECK(session.restore(saved) == status::altered && session.counters()->in_order == 0);
    saved[TICKSEAM_SAVED_SIZE / 2] ^= 1;
    CHECK(session.restore(saved) == status::ok && session.counters()->in_order == PACKETS);
    CHECK(same_place(*session.place(20s), *before.place(20s)));
}

void a_copy_is_a_snapshot_and_a_move_is_a_copy() {
    static tickseam::session session, copy;
    CHECK(session.begin(usual_config()) == status::ok);
    feed(session, 0, 500);
    copy = session;
    feed(session, 500, PACKETS);
    CHECK(session.counters()->in_order == PACKETS && copy.counters()->in_order == 500);
    feed(copy, 500, PACKETS);
    const auto placed = session.place(20s), of_copy = copy.place(20s);
    CHECK(placed && of_copy && same_place(*placed, *of_copy));
    static tickseam::session moved{std::move(copy)};
    CHECK(moved.place(20s) && same_place(*moved.place(20s), *placed));
    CHECK(copy.place(20s) && same_place(*copy.place(20s), *placed));
}

void packets_without_a_tick_and_gaps() {
    static tickseam::session session;
    CHECK(session.begin(usual_config()) == status::ok);
    auto packet = usual_packet(0);
    CHECK(session.observe(packet)->has_place == 1);
    CHECK(session.next_gap(0).status() == status::no_more && session.next_gap(9).status() == status::stream);
    packet = usual_packet(3);
    packet.tick.reset();
    const auto answer = session.observe(packet);
    CHECK(answer && answer->disposition == TICKSEAM_OPENS_GAP && answer->missing_count == 2);
    const auto gap = session.next_gap(0);
    CHECK(gap && gap->first_index == answer->missing_from && gap->packets == 2 && gap->samples == 10);
    packet = usual_packet(4);
    packet.tick = std::uint64_t{1} << 32;
    CHECK(session.observe(packet)->refusal == TICKSEAM_REFUSAL_TICK);
    packet.tick.reset();
    CHECK(session.observe(packet)->disposition == TICKSEAM_IN_ORDER);
    CHECK(session.link() && session.link()->has_interval == 0);
}

void maps_turn_round_and_chain() {
    static tickseam::session session;
    CHECK(session.begin(usual_config()) == status::ok);
    feed(session, 0, PACKETS);
    const auto map = session.map();
    CHECK(map);
    const auto there = map->device_at(20s);
    CHECK(there && there->u95_us > 0.0 && std::abs(there->device_s - 13.0) < 0.01);
    const auto back = map->host_at(there->device_s);
    CHECK(back && std::abs((back->at - 20s).count()) <= 1000);
    double drift_ppm = 0.0;
    CHECK(tickseam_map_drift(&map->plain(), &drift_ppm) == TICKSEAM_OK && drift_ppm != 0.0);
    CHECK(same_bits(*map->drift_ppm(), drift_ppm) && drift_ppm * map->plain().rate_ppm < 0.0);
    const auto inverse = map->invert();
    CHECK(inverse);
    const auto around = map->chain(*inverse);
    CHECK(around);
    const auto unmoved = around->host_at(10.0);
    CHECK(unmoved && std::abs((unmoved->at - 10s).count()) <= 1000);
    tickseam_host_instant plain;
    CHECK(tickseam_map_host_at(&map->plain(), there->device_s, &plain) == TICKSEAM_OK && plain.u_us < plain.u95_us);
    CHECK(back->at.count() == plain.host_ns && same_bits(back->u_us, plain.u_us) && same_bits(back->u95_us, plain.u95_us));
    CHECK(map->chain(*inverse)->plain().counts_per_s == map->plain().counts_per_s);
    CHECK(map->host_at(INFINITY).status() == status::value);
    const tickseam::clock_map nothing;
    CHECK(nothing.host_at(0.0).status() == status::struct_size && nothing.invert().status() == status::struct_size);
    CHECK(map->chain(nothing).status() == status::struct_size);
}

void a_replay_places_and_a_refused_one_writes_nothing() {
    static std::int64_t host_ns[PACKETS];
    static std::uint64_t sequence[PACKETS], tick[PACKETS];
    static tickseam::scratch_word scratch[64000];
    const std::int64_t event_ns[] = {12000000000, 17000000000};
    const double latency_us[] = {0.0, 1000.0};
    for (int n = 0; n < PACKETS; n++) {
        const auto packet = usual_packet(n);
        host_ns[n] = packet.host.count(), sequence[n] = packet.sequence, tick[n] = *packet.tick;
    }
    tickseam::packets packets;
    packets.host_ns = host_ns, packets.sequence = sequence, packets.tick = tick;
    tickseam::events events;
    events.host_ns = event_ns, events.latency_us = latency_us;
    const auto config = usual_config();
    const auto words = tickseam::replay_scratch(config, packets, events);
    CHECK(words && *words > 0 && *words <= std::size(scratch));
    tickseam::placement placed[2];
    std::memset(placed, 0xA5, sizeof placed);

    auto uneven = packets;
    uneven.sequence = {sequence, PACKETS - 1};
    CHECK(tickseam::replay_scratch(config, uneven, events).status() == status::value);
    CHECK(tickseam::replay(config, uneven, events, scratch, placed).status() == status::value);
    uneven = packets;
    uneven.tick = {tick, PACKETS - 1};
    CHECK(tickseam::replay(config, uneven, events, scratch, placed).status() == status::value);
    auto uneven_events = events;
    uneven_events.latency_us = {latency_us, 1};
    CHECK(tickseam::replay(config, packets, uneven_events, scratch, placed).status() == status::value);
    CHECK(tickseam::replay(config, packets, events, scratch, {placed, 1}).status() == status::short_memory);
    CHECK(all_bytes(placed, 0, sizeof placed, 0xA5));
    auto wrong = config;
    wrong.stream_count = 0;
    CHECK(tickseam::replay(wrong, packets, events, scratch, placed).status() == status::stream);
    const auto no_scratch = tickseam::replay(config, packets, events, {scratch, 1}, placed);
    CHECK(no_scratch.status() == status::short_memory && all_bytes(&*no_scratch, 0, sizeof *no_scratch, 0));
    CHECK(all_bytes(placed, sizeof placed[0].struct_size, sizeof placed, 0xA5));

    const auto report = tickseam::replay(config, packets, events, {scratch, *words}, placed);
    CHECK(report && report->segments == 1 && report->used == PACKETS);
    CHECK(std::abs(placed[0].device_s - 5.0) * 1e6 <= placed[0].u95_us && placed[0].u95_us < 5000.0);
    CHECK(std::abs(placed[1].device_s - 10.001) * 1e6 <= placed[1].u95_us && placed[1].u95_us < 5000.0);
    const auto line = tickseam::line_of(placed[0], TICKSEAM_LINE_LINK);
    CHECK(line && same_bits(*line, placed[0].link_us));
    const double parts = *tickseam::line_of(placed[0], TICKSEAM_LINE_STATISTICS) + *tickseam::line_of(placed[0], TICKSEAM_LINE_LATTICE) +
                         *tickseam::line_of(placed[0], TICKSEAM_LINE_CURVATURE);
    CHECK(std::fabs(parts - *line) <= 1e-9 * *line);
    CHECK(tickseam::line_of(placed[0], TICKSEAM_LINES).status() == status::value);
}

/* Two streams, the second without ticks, one packet without samples, latencies: every array says something. */
void a_replay_is_that_of_the_plain_call() {
    static std::int64_t host_ns[2 * PACKETS];
    static std::uint64_t sequence[2 * PACKETS], tick[2 * PACKETS];
    static std::uint32_t stream[2 * PACKETS], samples[2 * PACKETS];
    static std::uint8_t has_tick[2 * PACKETS];
    static tickseam::scratch_word scratch[128000];
    const std::int64_t event_ns[] = {12000000000, 17000000000};
    const double latency_us[] = {-2000.0, 1000.0}, latency_u_us[] = {300.0, 4000.0};
    const std::int64_t marker_ns[] = {12000000000, 17000000000};
    const std::uint64_t marker_tick[] = {5 * 32768, 10 * 32768};
    for (int n = 0; n < PACKETS; n++) {
        const auto packet = usual_packet(n);
        for (int of = 0; of < 2; of++) {
            const int i = 2 * n + of;
            host_ns[i] = packet.host.count(), sequence[i] = packet.sequence, stream[i] = of == 0 ? 0 : 1;
            tick[i] = of == 0 ? *packet.tick : std::uint64_t{1} << 40;
            has_tick[i] = of == 0, samples[i] = of == 0 ? 5 : 1;
        }
    }
    samples[600] = 0;
    auto config = usual_config();
    config.stream_count = 2;
    config.streams[1] = {50.0, 1, 16};
    const tickseam::packets packets{host_ns, stream, sequence, tick, has_tick, samples};
    tickseam::placement placed[2], plain_placed[2];
    std::memset(placed, 0, sizeof placed), std::memset(plain_placed, 0, sizeof plain_placed);
    const tickseam::events events{event_ns, latency_us, latency_u_us};
    const tickseam::sightings seen{marker_ns, marker_tick, marker_tick, marker_ns, marker_ns, marker_tick};
    const auto words = tickseam::replay_scratch(config, packets, events, seen);
    CHECK(words && *words <= std::size(scratch));
    const auto report = tickseam::replay(config, packets, events, {scratch, *words}, placed, seen);
    CHECK(report && report->used == 2 * PACKETS - 1 && report->rejected == 1);
    CHECK(report->exchanges_used == 2 && report->markers_used == 2);

    const tickseam_packets plain{sizeof plain, 0, 2 * PACKETS, host_ns, stream, sequence, tick, has_tick, samples};
    const tickseam_sightings plain_seen{sizeof plain_seen, 0,           2,           2,         marker_ns,
                                        marker_tick,       marker_tick, marker_ns,   marker_ns, marker_tick};
    const tickseam_events plain_events{sizeof plain_events, 0, 2, event_ns, latency_us, latency_u_us, nullptr};
    tickseam_replay_report plain_report{};
    plain_report.struct_size = sizeof plain_report, plain_placed[0].struct_size = sizeof plain_placed[0];
    std::size_t bytes = 0;
    CHECK(tickseam_replay_scratch(&config, &plain, &plain_seen, &plain_events, &bytes) == TICKSEAM_OK);
    CHECK(*words * sizeof(tickseam::scratch_word) - bytes < sizeof(tickseam::scratch_word));
    CHECK(tickseam_replay(&config, &plain, &plain_seen, &plain_events, scratch, bytes, plain_placed, &plain_report) == TICKSEAM_OK);
    CHECK(std::memcmp(placed, plain_placed, sizeof placed) == 0);
    CHECK(std::memcmp(&*report, &plain_report, sizeof plain_report) == 0);

    auto uneven = packets;
    uneven.stream = {stream, 1};
    CHECK(tickseam::replay_scratch(config, uneven, events).status() == status::value);
    uneven = packets, uneven.has_tick = {has_tick, 1};
    CHECK(tickseam::replay_scratch(config, uneven, events).status() == status::value);
    uneven = packets, uneven.samples = {samples, 1};
    CHECK(tickseam::replay_scratch(config, uneven, events).status() == status::value);
    auto uneven_seen = seen;
    uneven_seen.marker_tick = {marker_tick, 1};
    CHECK(tickseam::replay_scratch(config, packets, events, uneven_seen).status() == status::value);
    CHECK(tickseam::replay(config, packets, events, scratch, placed, uneven_seen).status() == status::value);
    CHECK(tickseam::replay(config, packets, {event_ns, latency_us, {latency_u_us, 1}}, scratch, placed).status() == status::value);
}

void a_marker_is_used_where_it_is_near() {
    static tickseam::session session;
    CHECK(session.begin(usual_config()) == status::ok);
    const auto early = session.observe_marker(8s, 32768);
    CHECK(early && *early == TICKSEAM_SIGHTING_TOO_EARLY);
    feed(session, 0, PACKETS);
    const auto near = session.observe_marker(26s, 19 * 32768), far = session.observe_marker(26s, 9 * 32768);
    CHECK(near && *near == TICKSEAM_SIGHTING_USED && far && *far == TICKSEAM_SIGHTING_FAR_OFF);
    CHECK(session.counters()->markers_used == 1 && session.counters()->markers_refused == 2);
}

void words_are_those_of_the_library() {
    CHECK(tickseam::library_fits());
    CHECK(std::strcmp(tickseam::text(status::ok), tickseam_status_text(TICKSEAM_OK)) == 0);
    CHECK(std::strcmp(tickseam::text(status::not_yet), tickseam_status_text(TICKSEAM_ERROR_NOT_YET)) == 0);
    CHECK(std::strcmp(tickseam::text(status::not_yet), tickseam::text(status::ok)) != 0);
    CHECK(std::strcmp(tickseam::disposition_text(TICKSEAM_LATE), tickseam_disposition_text(TICKSEAM_LATE)) == 0);
    CHECK(std::strcmp(tickseam::line_text(TICKSEAM_LINE_LINK), tickseam_line_text(TICKSEAM_LINE_LINK)) == 0);
}

}  // namespace

int main(int count, char **words) {
    CHECK(count == 2);
    vectors(words[1]);
    a_session_not_begun_is_refused();
    a_refused_begin_or_restore_leaves_the_session();
    a_copy_is_a_snapshot_and_a_move_is_a_copy();
    packets_without_a_tick_and_gaps();
    maps_turn_round_and_chain();
    a_replay_places_and_a_refused_one_writes_nothing();
    a_replay_is_that_of_the_plain_call();
    a_marker_is_used_where_it_is_near();
    words_are_those_of_the_library();
}
