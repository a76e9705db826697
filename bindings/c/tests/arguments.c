/* Every argument rule of the header: null, misaligned, short, wrong size, nonsense; outputs stay as they were. */
#include "as_it_lies.h"
#include "check.h"
#include <math.h>

static tickseam_session_memory memory_a, memory_b;
static unsigned char saved[TICKSEAM_SAVED_SIZE + 1];

/* Fills an output with poison, its size apart, and tells whether it is still there. */
#define POISON(out) (memset(&(out), 0xA5, sizeof(out)))
static int poisoned(const void *out, size_t from, size_t size) {
    const unsigned char *bytes = (const unsigned char *)out;
    size_t i;
    for (i = from; i < size; i++)
        if (bytes[i] != 0xA5) return 0;
    return 1;
}
#define UNTOUCHED(out) CHECK(poisoned(&(out), 0, sizeof(out)))
#define UNTOUCHED_SIZED(out) CHECK(poisoned(&(out), 4, sizeof(out)))
#define SIZED(out) (POISON(out), (out).struct_size = sizeof(out))

/* A pointer one byte off. */
#define OFF(type, pointer) ((type *)(void *)((char *)(void *)(pointer) + 1))

static tickseam_session *begun(tickseam_session_memory *memory) {
    tickseam_config config = usual_config();
    tickseam_session *session = NULL;
    CHECK(tickseam_session_init(memory, sizeof *memory, &config, &session) == TICKSEAM_OK);
    CHECK(session != NULL);
    return session;
}

static void init(void) {
    tickseam_config config = usual_config(), wrong;
    tickseam_session *session;
    static const double nonsense[] = {-1.0, 1e300, NAN, INFINITY, -INFINITY};
    size_t i;
    POISON(session);
    memset(&memory_a, 0x5A, sizeof memory_a);
    CHECK(tickseam_session_init(NULL, sizeof memory_a, &config, &session) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, NULL, &session) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &config, NULL) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_init(OFF(void, &memory_a), sizeof memory_a, &config, &session) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, OFF(tickseam_config, &config), &session) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &config, OFF(tickseam_session *, &session)) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(tickseam_session_init(&memory_a, TICKSEAM_SESSION_SIZE - 1, &config, &session) == TICKSEAM_ERROR_SHORT_MEMORY);
    CHECK(tickseam_session_init(&memory_a, 0, &config, &session) == TICKSEAM_ERROR_SHORT_MEMORY);
    wrong = config, wrong.struct_size -= 4;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_STRUCT_SIZE);
    wrong = config, wrong.stream_count = 0;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_STREAM);
    wrong = config, wrong.stream_count = TICKSEAM_STREAMS_MAX + 1;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_STREAM);
    wrong = config, wrong.stream_count = UINT32_MAX;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_STREAM);
    for (i = 0; i < sizeof nonsense / sizeof nonsense[0]; i++) {
        double *fields[] = {&wrong.tick_hz, &wrong.tolerance_ppm, &wrong.host_step_us, &wrong.fixed_delay_u_us,
                            &wrong.interval_us, &wrong.streams[0].rate_hz};
        size_t field;
        for (field = 0; field < sizeof fields / sizeof fields[0]; field++) {
            wrong = config, *fields[field] = nonsense[i];
            CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
        }
    }
    wrong = config, wrong.fixed_delay_us = NAN;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    wrong = config, wrong.fixed_delay_known = 2;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    wrong = config, wrong.tick_bits = 15;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    wrong = config, wrong.tick_bits = 256 + 32;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    wrong = config, wrong.streams[0].sequence_bits = 65;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    wrong = config, wrong.streams[0].samples_per_packet = 0;
    CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &wrong, &session) == TICKSEAM_ERROR_VALUE);
    UNTOUCHED(session);
    for (i = 0; i < sizeof memory_a / 8; i++) CHECK(memory_a.words[i] == UINT64_C(0x5A5A5A5A5A5A5A5A));
    CHECK(tickseam_session_size() == TICKSEAM_SESSION_SIZE && tickseam_session_align() == TICKSEAM_SESSION_ALIGN);
    CHECK(tickseam_saved_size() == TICKSEAM_SAVED_SIZE && tickseam_abi() == TICKSEAM_ABI);
}

/* The three rules that hold for every handle. */
#define HANDLE_RULES(call)                                              \
    do {                                                                \
        tickseam_session *session = NULL;                               \
        CHECK((call) == TICKSEAM_ERROR_NULL);                           \
        session = OFF(tickseam_session, &memory_b);                     \
        CHECK((call) == TICKSEAM_ERROR_MISALIGNED);                     \
        memset(&memory_b, 0, sizeof memory_b);                          \
        session = (tickseam_session *)(void *)&memory_b;                \
        CHECK((call) == TICKSEAM_ERROR_NO_SESSION);                     \
    } while (0)

/* The rules of an output that begins with its size. */
#define SIZED_RULES(type, out, call)                                    \
    do {                                                                \
        type *output = NULL;                                            \
        CHECK((call) == TICKSEAM_ERROR_NULL);                           \
        output = OFF(type, &(out));                                     \
        CHECK((call) == TICKSEAM_ERROR_MISALIGNED);                     \
        output = &(out);                                                \
        POISON(out);                                                    \
        (out).struct_size = sizeof(out) + 8;                            \
        CHECK((call) == TICKSEAM_ERROR_STRUCT_SIZE);                    \
        (out).struct_size = 0;                                          \
        CHECK((call) == TICKSEAM_ERROR_STRUCT_SIZE);                    \
        UNTOUCHED_SIZED(out);                                           \
    } while (0)

/* The rules of a plain output. */
#define PLAIN_RULES(type, out, call)                                    \
    do {                                                                \
        type *output = NULL;                                            \
        CHECK((call) == TICKSEAM_ERROR_NULL);                           \
        output = OFF(type, &(out));                                     \
        CHECK((call) == TICKSEAM_ERROR_MISALIGNED);                     \
    } while (0)

static void observing(void) {
    tickseam_session *real = begun(&memory_a);
    tickseam_packet packet = usual_packet(0), wrong;
    tickseam_answer answer;
    tickseam_counters counters;
    int32_t sighted;
    SIZED(answer);
    HANDLE_RULES(tickseam_session_observe_packet(session, &packet, &answer));
    CHECK(tickseam_session_observe_packet(real, NULL, &answer) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_observe_packet(real, OFF(tickseam_packet, &packet), &answer) == TICKSEAM_ERROR_MISALIGNED);
    wrong = packet, wrong.reserved = 1;
    CHECK(tickseam_session_observe_packet(real, &wrong, &answer) == TICKSEAM_ERROR_VALUE);
    wrong = packet, wrong.has_tick = 2;
    CHECK(tickseam_session_observe_packet(real, &wrong, &answer) == TICKSEAM_ERROR_VALUE);
    UNTOUCHED_SIZED(answer);
    SIZED_RULES(tickseam_answer, answer, tickseam_session_observe_packet(real, &packet, output));
    SIZED(counters);
    CHECK(tickseam_session_counters(real, &counters) == TICKSEAM_OK);
    CHECK(counters.in_order == 0 && counters.unknown_stream == 0);

    wrong = packet, wrong.stream = UINT32_MAX;
    CHECK(observe(real, &wrong).refusal == TICKSEAM_REFUSAL_UNKNOWN_STREAM);
    wrong = packet, wrong.sequence = UINT64_MAX;
    CHECK(observe(real, &wrong).refusal == TICKSEAM_REFUSAL_SEQUENCE);
    wrong = packet, wrong.tick = UINT64_MAX;
    CHECK(observe(real, &wrong).refusal == TICKSEAM_REFUSAL_TICK);
    wrong = packet, wrong.samples = 0;
    CHECK(observe(real, &wrong).refusal == TICKSEAM_REFUSAL_NO_SAMPLES);
    wrong = packet, wrong.host_ns = INT64_MIN;
    answer = observe(real, &wrong);
    CHECK(answer.disposition == TICKSEAM_REJECTED && answer.refusal == TICKSEAM_REFUSAL_HOST && answer.has_place == 0);
    answer = observe(real, &packet);
    CHECK(answer.disposition == TICKSEAM_IN_ORDER && answer.refusal == TICKSEAM_REFUSAL_NONE && answer.has_place == 1);
    answer = observe(real, &packet);
    CHECK(answer.disposition == TICKSEAM_DUPLICATE);
    packet = usual_packet(3);
    answer = observe(real, &packet);
    CHECK(answer.disposition == TICKSEAM_OPENS_GAP && answer.missing_from == 1 && answer.missing_count == 2 && answer.index == 3);
    packet = usual_packet(1);
    CHECK(observe(real, &packet).disposition == TICKSEAM_LATE);
    packet = usual_packet(2);
    CHECK(observe(real, &packet).disposition == TICKSEAM_CLOSES_GAP);
    CHECK(tickseam_session_counters(real, &counters) == TICKSEAM_OK);
    CHECK(counters.in_order + counters.late + counters.duplicate + counters.opens_gap + counters.closes_gap == 5);
    CHECK(counters.unknown_stream + counters.sequence_out_of_range + counters.tick_out_of_range + counters.no_samples +
              counters.host_out_of_range == 5);
    HANDLE_RULES(tickseam_session_counters(session, &counters));
    SIZED_RULES(tickseam_counters, counters, tickseam_session_counters(real, output));

    HANDLE_RULES(tickseam_session_observe_exchange(session, 0, 0, 0, 0, &sighted));
    HANDLE_RULES(tickseam_session_observe_marker(session, 0, 0, &sighted));
    PLAIN_RULES(int32_t, sighted, tickseam_session_observe_exchange(real, 0, 0, 0, 0, output));
    PLAIN_RULES(int32_t, sighted, tickseam_session_observe_marker(real, 0, 0, output));
    CHECK(tickseam_session_observe_marker(real, INT64_MAX, UINT64_MAX, &sighted) == TICKSEAM_OK);
    CHECK(sighted == TICKSEAM_SIGHTING_FAR_OFF);
    CHECK(tickseam_session_observe_exchange(real, INT64_MIN, UINT64_MAX, 0, INT64_MAX, &sighted) == TICKSEAM_OK);
    CHECK(sighted == TICKSEAM_SIGHTING_FAR_OFF);
    feed(real, 4, 500);
    CHECK(tickseam_session_observe_exchange(real, HOST_0 + INT64_C(8990000000), 294912, 294945, HOST_0 + INT64_C(9002000000), &sighted) == TICKSEAM_OK);
    CHECK(sighted == TICKSEAM_SIGHTING_USED);
    CHECK(tickseam_session_observe_exchange(real, HOST_0 + INT64_C(9002000000), 294912, 294945, HOST_0 + INT64_C(8990000000), &sighted) == TICKSEAM_OK);
    CHECK(sighted == TICKSEAM_SIGHTING_BACKWARDS);
    CHECK(tickseam_session_observe_marker(real, HOST_0 + INT64_C(9000000000), 294912, &sighted) == TICKSEAM_OK);
    CHECK(sighted == TICKSEAM_SIGHTING_USED);
}

static void asking(void) {
    tickseam_session *real = begun(&memory_a);
    tickseam_placement placement;
    tickseam_host_instant instant;
    tickseam_map map;
    tickseam_gap gap;
    tickseam_state state;
    tickseam_link link;
    double number, clock_us, squares;
    int32_t line;
    SIZED(placement), SIZED(map), POISON(instant), POISON(gap);
    CHECK(tickseam_session_place(real, HOST_0, 0, 0, &placement) == TICKSEAM_ERROR_NOT_YET);
    CHECK(tickseam_session_host_at(real, 0, &instant) == TICKSEAM_ERROR_NOT_YET);
    CHECK(tickseam_session_map(real, &map) == TICKSEAM_ERROR_NOT_YET);
    CHECK(tickseam_session_next_gap(real, 0, INT64_MIN, &gap) == TICKSEAM_ERROR_NO_MORE);
    SIZED(state);
    CHECK(tickseam_session_state(real, &state) == TICKSEAM_OK && state.knowledge == TICKSEAM_KNOWS_NOTHING);
    feed(real, 0, 2);
    CHECK(tickseam_session_state(real, &state) == TICKSEAM_OK && state.knowledge == TICKSEAM_COLD);
    feed(real, 5, 500);
    CHECK(tickseam_session_state(real, &state) == TICKSEAM_OK && state.knowledge == TICKSEAM_TRACKING);
    CHECK(state.missing_packets[0] == 3 && state.missing_packets[1] == 0 && state.segment == 0);
    CHECK(tickseam_session_place(real, HOST_0, NAN, 0, &placement) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_place(real, HOST_0, INFINITY, 0, &placement) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_place(real, HOST_0, 0, -1, &placement) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_place(real, HOST_0, 0, NAN, &placement) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_host_at(real, NAN, &instant) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_host_at(real, -INFINITY, &instant) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_session_next_gap(real, 1, INT64_MIN, &gap) == TICKSEAM_ERROR_STREAM);
    CHECK(tickseam_session_next_gap(real, UINT32_MAX, INT64_MIN, &gap) == TICKSEAM_ERROR_STREAM);
    UNTOUCHED_SIZED(placement); UNTOUCHED_SIZED(map); UNTOUCHED(instant); UNTOUCHED(gap);
    HANDLE_RULES(tickseam_session_place(session, HOST_0, 0, 0, &placement));
    HANDLE_RULES(tickseam_session_host_at(session, 0, &instant));
    HANDLE_RULES(tickseam_session_map(session, &map));
    HANDLE_RULES(tickseam_session_next_gap(session, 0, 0, &gap));
    HANDLE_RULES(tickseam_session_state(session, &state));
    HANDLE_RULES(tickseam_session_link(session, &link));
    SIZED_RULES(tickseam_placement, placement, tickseam_session_place(real, HOST_0, 0, 0, output));
    SIZED_RULES(tickseam_map, map, tickseam_session_map(real, output));
    SIZED_RULES(tickseam_state, state, tickseam_session_state(real, output));
    SIZED_RULES(tickseam_link, link, tickseam_session_link(real, output));
    PLAIN_RULES(tickseam_host_instant, instant, tickseam_session_host_at(real, 0, output));
    PLAIN_RULES(tickseam_gap, gap, tickseam_session_next_gap(real, 0, INT64_MIN, output));

    CHECK(tickseam_session_next_gap(real, 0, INT64_MIN, &gap) == TICKSEAM_OK);
    CHECK(gap.first_index == 2 && gap.packets == 3 && gap.samples == 15);
    CHECK(tickseam_session_next_gap(real, 0, gap.first_index + (int64_t)gap.packets, &gap) == TICKSEAM_ERROR_NO_MORE);
    SIZED(link);
    CHECK(tickseam_session_link(real, &link) == TICKSEAM_OK && link.off_nominal == 0 && isfinite(link.beat_us));

    SIZED(placement);
    CHECK(tickseam_session_place(real, HOST_0 + INT64_C(5000000000), 1000, 10, &placement) == TICKSEAM_OK);
    CHECK(fabs(placement.device_s - 5.001) * 1e6 < placement.u95_us && placement.sample == placement.device_s * 250.0);
    CHECK(tickseam_placement_line(&placement, TICKSEAM_LINE_LINK, &number) == TICKSEAM_OK && number == placement.link_us);
    squares = number;
    CHECK(tickseam_placement_line(&placement, TICKSEAM_LINE_HOLDOVER, &number) == TICKSEAM_OK);
    clock_us = squares + number;
    squares = 0;
    for (line = TICKSEAM_LINE_FIXED_DELAY; line <= TICKSEAM_LINE_LATENCY; line++) {
        CHECK(tickseam_placement_line(&placement, line, &number) == TICKSEAM_OK);
        squares += number * number;
    }
    CHECK(fabs(clock_us + sqrt(squares) - placement.u95_us) < 1e-6 * placement.u95_us);
    /* The last three lines are what the link's is made of. */
    squares = 0;
    for (line = TICKSEAM_LINE_STATISTICS; line < TICKSEAM_LINES; line++) {
        CHECK(tickseam_placement_line(&placement, line, &number) == TICKSEAM_OK && number >= 0);
        squares += number;
    }
    CHECK(fabs(squares - placement.link_us) < 1e-6 * placement.link_us);
    CHECK(fabs(placement.statistics_us + placement.lattice_us + placement.curvature_us - squares) < 1e-9 * squares);
    CHECK(placement.lattice_us > 1000.0 && placement.lattice_us <= 15000.1); /* A grid of 15 ms is there. */
    POISON(number);
    CHECK(tickseam_placement_line(&placement, TICKSEAM_LINES, &number) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_placement_line(&placement, INT32_MIN, &number) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_placement_line(NULL, 0, &number) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_placement_line(OFF(tickseam_placement, &placement), 0, &number) == TICKSEAM_ERROR_MISALIGNED);
    UNTOUCHED(number);
    PLAIN_RULES(double, number, tickseam_placement_line(&placement, 0, output));
    placement.struct_size = 1;
    CHECK(tickseam_placement_line(&placement, 0, &number) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_session_host_at(real, 5.0, &instant) == TICKSEAM_OK);
    CHECK(llabs((long long)(instant.host_ns - HOST_0 - INT64_C(5000000000))) < (long long)(instant.u95_us * 1e3));
    placement.struct_size = sizeof placement;
    CHECK(tickseam_session_place(real, INT64_MAX, 0, 0, &placement) == TICKSEAM_OK);
    CHECK(tickseam_session_place(real, INT64_MIN, 0, 0, &placement) == TICKSEAM_OK);
}

static void maps(void) {
    tickseam_session *real = begun(&memory_a);
    tickseam_map map, onward, other;
    tickseam_host_instant host;
    tickseam_device_instant device;
    double drift;
    size_t i;
    feed(real, 0, 500);
    SIZED(map), SIZED(other);
    CHECK(tickseam_session_map(real, &map) == TICKSEAM_OK);
    POISON(host), POISON(device), POISON(drift);
    for (i = offsetof(tickseam_map, at_s); i < sizeof map; i += sizeof(double)) {
        static const double nonsense[] = {NAN, INFINITY, -INFINITY};
        size_t j;
        for (j = 0; j < 3; j++) {
            tickseam_map wrong = map;
            memcpy((char *)&wrong + i, &nonsense[j], sizeof(double));
            CHECK(tickseam_map_host_at(&wrong, 0, &host) == TICKSEAM_ERROR_VALUE);
            CHECK(tickseam_map_device_at(&wrong, 0, &device) == TICKSEAM_ERROR_VALUE);
            CHECK(tickseam_map_drift(&wrong, &drift) == TICKSEAM_ERROR_VALUE);
            CHECK(tickseam_map_invert(&wrong, &other) == TICKSEAM_ERROR_VALUE);
            CHECK(tickseam_map_chain(&wrong, &map, &other) == TICKSEAM_ERROR_VALUE);
            CHECK(tickseam_map_chain(&map, &wrong, &other) == TICKSEAM_ERROR_VALUE);
        }
    }
    onward = map, onward.counts_per_s = 0;
    CHECK(tickseam_map_host_at(&onward, 0, &host) == TICKSEAM_ERROR_VALUE);
    onward = map, onward.rate_ppm = -1e6;
    CHECK(tickseam_map_host_at(&onward, 0, &host) == TICKSEAM_ERROR_VALUE);
    onward = map, onward.struct_size = 7;
    CHECK(tickseam_map_host_at(&onward, 0, &host) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_map_device_at(&onward, 0, &device) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_map_drift(&onward, &drift) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_map_invert(&onward, &other) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_map_chain(&map, &onward, &other) == TICKSEAM_ERROR_STRUCT_SIZE);
    CHECK(tickseam_map_host_at(&map, NAN, &host) == TICKSEAM_ERROR_VALUE);
    CHECK(tickseam_map_host_at(NULL, 0, &host) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_device_at(NULL, 0, &device) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_drift(NULL, &drift) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_invert(NULL, &other) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_chain(NULL, &map, &other) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_chain(&map, NULL, &other) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_map_host_at(OFF(tickseam_map, &map), 0, &host) == TICKSEAM_ERROR_MISALIGNED);
    UNTOUCHED(host); UNTOUCHED(device); UNTOUCHED(drift); UNTOUCHED_SIZED(other);
    PLAIN_RULES(tickseam_host_instant, host, tickseam_map_host_at(&map, 0, output));
    PLAIN_RULES(tickseam_device_instant, device, tickseam_map_device_at(&map, 0, output));
    PLAIN_RULES(double, drift, tickseam_map_drift(&map, output));
    SIZED_RULES(tickseam_map, other, tickseam_map_invert(&map, output));
    SIZED_RULES(tickseam_map, other, tickseam_map_chain(&map, &map, output));

    CHECK(tickseam_map_host_at(&map, 7.5, &host) == TICKSEAM_OK);
    CHECK(tickseam_map_device_at(&map, host.host_ns, &device) == TICKSEAM_OK && fabs(device.device_s - 7.5) < 1e-8);
    CHECK(tickseam_map_drift(&map, &drift) == TICKSEAM_OK && fabs(drift) < 70.0);
    /* There and back: a map followed by its inverse is the identity, in nanoseconds. */
    SIZED(other);
    CHECK(tickseam_map_invert(&map, &other) == TICKSEAM_OK);
    CHECK(tickseam_map_chain(&map, &other, &other) == TICKSEAM_OK);
    CHECK(tickseam_map_host_at(&other, 7.5, &host) == TICKSEAM_OK && llabs((long long)(host.host_ns - INT64_C(7500000000))) <= 2);
}

static void saving(void) {
    tickseam_session *real = begun(&memory_a), *copy;
    tickseam_placement here, there;
    size_t written, at;
    feed(real, 0, 300);
    POISON(written), POISON(copy);
    HANDLE_RULES(tickseam_session_save(session, saved, sizeof saved, &written));
    CHECK(tickseam_session_save(real, NULL, sizeof saved, &written) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_save(real, saved, TICKSEAM_SAVED_SIZE - 1, &written) == TICKSEAM_ERROR_SHORT_MEMORY);
    PLAIN_RULES(size_t, written, tickseam_session_save(real, saved, sizeof saved, output));
    UNTOUCHED(written);
    /* Bytes have no alignment. */
    CHECK(tickseam_session_save(real, saved + 1, sizeof saved - 1, &written) == TICKSEAM_OK && written == TICKSEAM_SAVED_SIZE);
    MEANT_AS_IT_LIES(saved + 1, written);
    memset(&memory_b, 0x5A, sizeof memory_b);
    CHECK(tickseam_session_restore(NULL, sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, NULL, written, &copy) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, NULL) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_session_restore(OFF(void, &memory_b), sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b - 1, saved + 1, written, &copy) == TICKSEAM_ERROR_SHORT_MEMORY);
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written - 1, &copy) == TICKSEAM_ERROR_NOT_SAVED);
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, 5, &copy) == TICKSEAM_ERROR_NOT_SAVED);
    saved[1] ^= 1;
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_ERROR_NOT_SAVED);
    saved[1] ^= 1, saved[1 + 16] ^= 1;
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_ERROR_OTHER_BUILD);
    saved[1 + 16] ^= 1, saved[1 + 24] ^= 1;
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_ERROR_OTHER_BUILD);
    saved[1 + 24] ^= 1;
    /* Each byte that was altered is noticed. */
    for (at = 0; at < written; at++) {
        const int32_t expected = at < 8 ? TICKSEAM_ERROR_NOT_SAVED : at < 32 ? TICKSEAM_ERROR_OTHER_BUILD : TICKSEAM_ERROR_ALTERED;
        const unsigned char flip = (unsigned char)(1u << at % 8);
        saved[1 + at] ^= flip;
        CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == expected);
        saved[1 + at] = (unsigned char)(saved[1 + at] ^ flip ^ 0xFF);
        CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == expected);
        saved[1 + at] ^= 0xFF;
    }
    UNTOUCHED(copy);
    for (at = 0; at < sizeof memory_b / 8; at++) CHECK(memory_b.words[at] == UINT64_C(0x5A5A5A5A5A5A5A5A));
    CHECK(tickseam_session_restore(&memory_b, sizeof memory_b, saved + 1, written, &copy) == TICKSEAM_OK);
    feed(real, 300, 900);
    feed(copy, 300, 900);
    SIZED(here), SIZED(there);
    CHECK(tickseam_session_place(real, HOST_0 + INT64_C(17000000000), 0, 0, &here) == TICKSEAM_OK);
    CHECK(tickseam_session_place(copy, HOST_0 + INT64_C(17000000000), 0, 0, &there) == TICKSEAM_OK);
    CHECK(memcmp(&here, &there, sizeof here) == 0);
    /* A copy of the memory is a session too. */
    memcpy(&memory_b, &memory_a, sizeof memory_b);
    POISON(there), there.struct_size = sizeof there;
    CHECK(tickseam_session_place((tickseam_session *)(void *)&memory_b, HOST_0 + INT64_C(17000000000), 0, 0, &there) == TICKSEAM_OK);
    CHECK(memcmp(&here, &there, sizeof here) == 0);
}

/* What a host's clock shows, ns since the start, at a real time of so many; it is set, or stands still while the host sleeps. */
static int64_t set_back(int64_t at) { return at - (at >= INT64_C(60000000000) ? INT64_C(3000000000) : 0); }
static int64_t set_forward(int64_t at) { return at + (at >= INT64_C(60000000000) ? INT64_C(3000000000) : 0); }
static int64_t set_and_back(int64_t at) { return set_forward(at) - (at >= INT64_C(100000000000) ? INT64_C(3000000000) : 0); }
static int64_t asleep(int64_t at) {
    const int64_t from = INT64_C(60000000000), until = INT64_C(90000000000);
    return at < from ? at : at < until ? from : at - (until - from);
}

/* Each event is asked for a second after it, and all of them in the end: the interval holds the truth, and is sharp but near the step. */
static void set_clocks(void) {
    static int64_t (*const clocks[])(int64_t) = {set_back, set_forward, set_and_back, asleep};
    size_t clock;
    for (clock = 0; clock < sizeof clocks / sizeof clocks[0]; clock++) {
        tickseam_session *session = begun(&memory_a);
        const int sleeps = clocks[clock] == asleep;
        const int64_t step = 130000000, wakes = INT64_C(90000000000), sleep = INT64_C(60000000000);
        int64_t n, at = step;
        int wide = 0, sharp = 0;
        for (n = 0; n < 7500; n++) {
            tickseam_packet packet = usual_packet(n);
            int64_t came = packet.host_ns - HOST_0;
            /* What comes while the host sleeps waits until it wakes. */
            if (sleeps && came >= sleep && came < wakes) came = wakes;
            packet.host_ns = HOST_0 + clocks[clock](came);
            CHECK(observe(session, &packet).disposition == TICKSEAM_IN_ORDER);
            for (; at + INT64_C(1000000000) < came || (n == 7499 && at < came); at += step) {
                int64_t ask;
                if (sleeps && at >= sleep && at < wakes) continue;
                /* In the end, each event before it once more. */
                for (ask = n == 7499 ? step : at; ask <= at; ask += step) {
                    tickseam_placement placed;
                    double parts, clock_us;
                    if (sleeps && ask >= sleep && ask < wakes) continue;
                    placed.struct_size = sizeof placed;
                    CHECK(tickseam_session_place(session, HOST_0 + clocks[clock](ask), 0, 0, &placed) == TICKSEAM_OK);
                    CHECK(fabs(placed.device_s - (double)ask / 1e9) * 1e6 <= placed.u95_us);
                    parts = placed.statistics_us + placed.lattice_us + placed.curvature_us;
                    clock_us = parts + placed.holdover_us;
                    CHECK(fabs(clock_us + sqrt(placed.fixed_delay_us * placed.fixed_delay_us +
                                               placed.resolution_us * placed.resolution_us) - placed.u95_us) < 1e-6 * placed.u95_us);
                    if (n == 7499) placed.u95_us < 25000.0 ? sharp++ : wide++;
                }
            }
        }
        CHECK(sharp > 5 * wide && sharp > 800);
        /* Of a time that came twice, or just before sleep, nobody knows which clock it was of; a clock set forward shows none twice. */
        CHECK(clocks[clock] == set_forward ? wide == 0 : wide > 0);
    }
}

enum { PACKETS = 3000, EVENTS = 3, SEEN_EXCHANGES = 28, SEEN_MARKERS = 11 };

static void replaying(void) {
    static int64_t host_ns[PACKETS];
    static uint64_t sequence[PACKETS], tick[PACKETS];
    static uint8_t has_tick[PACKETS];
    const int64_t event_ns[EVENTS] = {HOST_0 + INT64_C(1000000000), HOST_0 + INT64_C(30000000000), HOST_0 + INT64_C(59000000000)};
    double latency[EVENTS] = {0, 0, 0};
    tickseam_config config = usual_config(), wrong_config;
    tickseam_packets packets, wrong;
    tickseam_events events, wrong_events;
    tickseam_sightings sightings, seen;
    int64_t origin_ns[SEEN_EXCHANGES], destination_ns[SEEN_EXCHANGES], marker_ns[SEEN_MARKERS];
    uint64_t receive_tick[SEEN_EXCHANGES], transmit_tick[SEEN_EXCHANGES], marker_tick[SEEN_MARKERS];
    tickseam_placement placements[EVENTS], without[EVENTS];
    tickseam_replay_report report;
    size_t bytes, i;
    void *scratch;
    for (i = 0; i < PACKETS; i++) {
        tickseam_packet packet = usual_packet((int64_t)i);
        host_ns[i] = packet.host_ns, sequence[i] = packet.sequence, tick[i] = packet.tick, has_tick[i] = 1;
    }
    memset(&packets, 0, sizeof packets);
    packets.struct_size = sizeof packets, packets.count = PACKETS;
    packets.host_ns = host_ns, packets.sequence = sequence, packets.tick = tick, packets.has_tick = has_tick;
    memset(&events, 0, sizeof events);
    events.struct_size = sizeof events, events.count = EVENTS, events.host_ns = event_ns, events.latency_us = latency;
    for (i = 0; i < SEEN_EXCHANGES; i++) {
        /* Sent 4 ms before the device's n-th second, back 6 ms after it. */
        int64_t second = (int64_t)i * 2 + 1;
        origin_ns[i] = HOST_0 + second * 1000000000 - 4000000, destination_ns[i] = HOST_0 + second * 1000000000 + 6000000;
        receive_tick[i] = transmit_tick[i] = (uint64_t)second * 32768;
    }
    for (i = 0; i < SEEN_MARKERS; i++) {
        marker_ns[i] = HOST_0 + ((int64_t)i * 5 + 3) * 1000000000;
        marker_tick[i] = ((uint64_t)i * 5 + 3) * 32768;
    }
    memset(&sightings, 0, sizeof sightings);
    sightings.struct_size = sizeof sightings;
    sightings.exchange_count = SEEN_EXCHANGES, sightings.marker_count = SEEN_MARKERS;
    sightings.origin_ns = origin_ns, sightings.receive_tick = receive_tick, sightings.transmit_tick = transmit_tick;
    sightings.destination_ns = destination_ns, sightings.marker_host_ns = marker_ns, sightings.marker_tick = marker_tick;
    POISON(bytes);
    CHECK(tickseam_replay_scratch(NULL, &packets, &sightings, &events, &bytes) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_replay_scratch(&config, NULL, &sightings, &events, &bytes) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_replay_scratch(&config, OFF(tickseam_packets, &packets), &sightings, &events, &bytes) == TICKSEAM_ERROR_MISALIGNED);
    wrong = packets, wrong.host_ns = NULL;
    CHECK(tickseam_replay_scratch(&config, &wrong, &sightings, &events, &bytes) == TICKSEAM_ERROR_NULL);
    wrong = packets, wrong.sequence = NULL;
    CHECK(tickseam_replay_scratch(&config, &wrong, &sightings, &events, &bytes) == TICKSEAM_ERROR_NULL);
    wrong = packets, wrong.host_ns = OFF(const int64_t, host_ns);
    CHECK(tickseam_replay_scratch(&config, &wrong, &sightings, &events, &bytes) == TICKSEAM_ERROR_MISALIGNED);
    wrong = packets, wrong.count = UINT64_MAX;
    CHECK(tickseam_replay_scratch(&config, &wrong, &sightings, &events, &bytes) == TICKSEAM_ERROR_VALUE);
    wrong = packets, wrong.reserved = 1;
    CHECK(tickseam_replay_scratch(&config, &wrong, &sightings, &events, &bytes) == TICKSEAM_ERROR_VALUE);
    has_tick[7] = 2;
    CHECK(tickseam_replay_scratch(&config, &packets, &sightings, &events, &bytes) == TICKSEAM_ERROR_VALUE);
    has_tick[7] = 1;
    CHECK(tickseam_replay_scratch(&config, &packets, &sightings, NULL, &bytes) == TICKSEAM_ERROR_NULL);
    CHECK(tickseam_replay_scratch(&config, &packets, OFF(tickseam_sightings, &sightings), &events, &bytes) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(tickseam_replay_scratch(&config, &packets, &sightings, OFF(tickseam_events, &events), &bytes) == TICKSEAM_ERROR_MISALIGNED);
    seen = sightings, seen.struct_size -= 8;
    CHECK(tickseam_replay_scratch(&config, &packets, &seen, &events, &bytes) == TICKSEAM_ERROR_STRUCT_SIZE);
    wrong_events = events, wrong_events.struct_size = 0;
    CHECK(tickseam_replay_scratch(&config, &packets, &sightings, &wrong_events, &bytes) == TICKSEAM_ERROR_STRUCT_SIZE);
    seen = sightings, seen.reserved = 1;
    CHECK(tickseam_replay_scratch(&config, &packets, &seen, &events, &bytes) == TICKSEAM_ERROR_VALUE);
    /* Counts at their limits: too many to be an array, or too many of all together for memory. */
    {
        static const uint64_t limits[] = {UINT64_MAX, UINT64_MAX / 2 + 1, UINT64_MAX / 8 + 1, UINT64_MAX / 16, UINT64_MAX / 64};
        for (i = 0; i < sizeof limits / sizeof limits[0]; i++) {
            seen = sightings, seen.exchange_count = limits[i];
            CHECK(tickseam_replay_scratch(&config, &packets, &seen, &events, &bytes) == TICKSEAM_ERROR_VALUE);
            seen = sightings, seen.marker_count = limits[i];
            CHECK(tickseam_replay_scratch(&config, &packets, &seen, &events, &bytes) == TICKSEAM_ERROR_VALUE);
        }
    }
    UNTOUCHED(bytes);
    PLAIN_RULES(size_t, bytes, tickseam_replay_scratch(&config, &packets, &sightings, &events, output));
    CHECK(tickseam_replay_scratch(&config, &packets, &sightings, &events, &bytes) == TICKSEAM_OK && bytes < 600000);
    scratch = malloc(bytes + 8);
    CHECK(scratch != NULL);
    POISON(placements), placements[0].struct_size = sizeof placements[0], SIZED(report);
#define REPLAY(c, p, e, s, n, o, r) tickseam_replay(c, p, &sightings, e, s, n, o, r)
#define SEEN(seen) tickseam_replay(&config, &packets, seen, &events, scratch, bytes, placements, &report)
    CHECK(REPLAY(NULL, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, NULL, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, &packets, NULL, scratch, bytes, placements, &report) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, &packets, &events, NULL, bytes, placements, &report) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, NULL, &report) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, placements, NULL) == TICKSEAM_ERROR_NULL);
    CHECK(REPLAY(&config, &packets, &events, OFF(void, scratch), bytes, placements, &report) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, OFF(tickseam_placement, placements), &report) == TICKSEAM_ERROR_MISALIGNED);
    CHECK(REPLAY(&config, &packets, &events, scratch, 100, placements, &report) == TICKSEAM_ERROR_SHORT_MEMORY);
    CHECK(REPLAY(&config, &packets, &events, scratch, SIZE_MAX, placements, &report) == TICKSEAM_ERROR_VALUE);
    wrong_config = config, wrong_config.tolerance_ppm = NAN;
    CHECK(REPLAY(&wrong_config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_VALUE);
    wrong_config = config, wrong_config.stream_count = 9;
    CHECK(REPLAY(&wrong_config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_STREAM);
    wrong_events = events, wrong_events.host_ns = NULL;
    CHECK(REPLAY(&config, &packets, &wrong_events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_NULL);
    wrong_events = events, wrong_events.reserved_pointer = latency;
    CHECK(REPLAY(&config, &packets, &wrong_events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_VALUE);
    /* Every array of the sightings in turn: null, misaligned; a count of 0 needs none. */
    for (i = 0; i < 6; i++) {
        const size_t at = offsetof(tickseam_sightings, origin_ns) + i * sizeof(void *);
        const void *array = NULL;
        seen = sightings;
        memcpy((char *)&seen + at, &array, sizeof array);
        CHECK(SEEN(&seen) == TICKSEAM_ERROR_NULL);
        CHECK(tickseam_replay_scratch(&config, &packets, &seen, &events, &bytes) == TICKSEAM_ERROR_NULL);
        array = OFF(const void, origin_ns);
        memcpy((char *)&seen + at, &array, sizeof array);
        CHECK(SEEN(&seen) == TICKSEAM_ERROR_MISALIGNED);
    }
    seen = sightings, seen.struct_size = UINT32_MAX;
    CHECK(SEEN(&seen) == TICKSEAM_ERROR_STRUCT_SIZE);
    seen = sightings, seen.reserved = 1;
    CHECK(SEEN(&seen) == TICKSEAM_ERROR_VALUE);
    seen = sightings, seen.exchange_count = UINT64_MAX;
    CHECK(SEEN(&seen) == TICKSEAM_ERROR_VALUE);
    seen = sightings, seen.marker_count = UINT64_MAX / 16;
    CHECK(SEEN(&seen) == TICKSEAM_ERROR_VALUE);
    CHECK(SEEN(OFF(tickseam_sightings, &sightings)) == TICKSEAM_ERROR_MISALIGNED);
    wrong_events = events, wrong_events.count = UINT64_MAX / 64;
    CHECK(REPLAY(&config, &packets, &wrong_events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_VALUE);
    latency[1] = NAN;
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_VALUE);
    latency[1] = 0;
    placements[0].struct_size = 3;
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_STRUCT_SIZE);
    wrong = packets, wrong.count = 0;
    placements[0].struct_size = sizeof placements[0];
    CHECK(REPLAY(&config, &wrong, &events, scratch, bytes, placements, &report) == TICKSEAM_ERROR_NOT_YET);
    UNTOUCHED_SIZED(report);
    CHECK(poisoned(placements, 4, sizeof placements));
    SIZED_RULES(tickseam_replay_report, report, REPLAY(&config, &packets, &events, scratch, bytes, placements, output));
    SIZED(report);
    CHECK(REPLAY(&config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_OK);
    CHECK(report.segments == 1 && report.used == PACKETS && report.rejected == 0);
    CHECK(report.exchanges_used == SEEN_EXCHANGES && report.markers_used == SEEN_MARKERS);
    for (i = 0; i < EVENTS; i++) {
        double true_s = (double)(event_ns[i] - HOST_0) / 1e9;
        CHECK(placements[i].struct_size == sizeof placements[i]);
        CHECK(fabs(placements[i].device_s - true_s) * 1e6 < placements[i].u95_us && placements[i].u95_us < 5000);
        CHECK(placements[i].status == TICKSEAM_PLACED);
    }
    /* Nonsense in them is not used, and does no harm. */
    origin_ns[0] = INT64_MIN, destination_ns[0] = INT64_MAX, receive_tick[1] = UINT64_MAX, transmit_tick[2] = UINT64_C(1) << 32;
    origin_ns[3] = destination_ns[3] + 1, marker_ns[0] = INT64_MIN, marker_tick[1] = UINT64_MAX, marker_tick[2] += 5 * 32768;
    CHECK(SEEN(&sightings) == TICKSEAM_OK);
    CHECK(report.exchanges_used == SEEN_EXCHANGES - 4 && report.markers_used == SEEN_MARKERS - 3);
    for (i = 0; i < EVENTS; i++)
        CHECK(fabs(placements[i].device_s - (double)(event_ns[i] - HOST_0) / 1e9) * 1e6 < placements[i].u95_us);
    /* Without any of them; a null pointer says the same. */
    memset(&seen, 0, sizeof seen), seen.struct_size = sizeof seen;
    CHECK(SEEN(&seen) == TICKSEAM_OK && report.exchanges_used == 0 && report.markers_used == 0);
    memcpy(without, placements, sizeof without);
    CHECK(SEEN(NULL) == TICKSEAM_OK && memcmp(without, placements, sizeof without) == 0);
    /* Without a counter nothing can be said of a tick. */
    wrong_config = config, wrong_config.tick_bits = 0;
    CHECK(REPLAY(&wrong_config, &packets, &events, scratch, bytes, placements, &report) == TICKSEAM_OK);
    CHECK(report.exchanges_used == 0 && report.markers_used == 0);
    /* Twenty packets around the second event never came, and none after 40 s. */
    packets.count = 2000 - 20;
    for (i = 1490; i < 1980; i++) {
        host_ns[i] = host_ns[i + 20], sequence[i] = sequence[i + 20], tick[i] = tick[i + 20];
    }
    CHECK(SEEN(NULL) == TICKSEAM_OK);
    CHECK(placements[0].status == TICKSEAM_PLACED && placements[1].status == TICKSEAM_IN_GAP && placements[2].status == TICKSEAM_OUTSIDE);
    free(scratch);
}

/* A packet of a stream without ticks whose number has this many bits; the n-th after the first. */
static tickseam_packet numbered(uint64_t first, uint32_t bits, int64_t n) {
    tickseam_packet packet;
    memset(&packet, 0, sizeof packet);
    packet.host_ns = HOST_0 + n * 20000000;
    packet.sequence = first + (uint64_t)n;
    if (bits < 64) packet.sequence &= (UINT64_C(1) << bits) - 1;
    packet.samples = 5;
    return packet;
}

/* Sequence numbers and ticks that run over their widths, live and replayed. */
static void limits(void) {
    static const uint32_t widths[] = {8, 16, 31, 32, 33, 53, 63, 64};
    size_t w;
    for (w = 0; w < sizeof widths / sizeof widths[0]; w++) {
        const uint32_t bits = widths[w];
        const uint64_t top = bits < 64 ? (UINT64_C(1) << bits) - 1 : UINT64_MAX;
        tickseam_config config = usual_config();
        tickseam_session *session = NULL;
        tickseam_counters counters;
        tickseam_packet packet;
        int64_t n;
        config.tick_bits = 0, config.tick_hz = 0, config.streams[0].sequence_bits = bits;
        CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &config, &session) == TICKSEAM_OK);
        if (bits == 63) {
            /* Five samples a packet: a sample's number would not fit 64 bits, which is answered. (Of 64 bits the upper half lies before 0.) Small numbers are as good as any. */
            for (n = 0; n < 200; n++) {
                packet = numbered(top - 3, bits, 0);
                CHECK(observe(session, &packet).refusal == TICKSEAM_REFUSAL_OVERFLOW);
            }
            for (n = 0; n < 200; n++) {
                packet = numbered(0, bits, n);
                CHECK(observe(session, &packet).disposition == TICKSEAM_IN_ORDER);
            }
        } else {
            /* From three before the greatest number over to 200 after it. */
            for (n = 0; n < 200; n++) {
                tickseam_answer answer;
                packet = numbered(top - 3, bits, n);
                answer = observe(session, &packet);
                CHECK(answer.disposition == TICKSEAM_IN_ORDER && answer.segment == 0);
            }
            if (bits < 64) {
                packet = numbered(top, bits, 199), packet.sequence = top + 1;
                CHECK(observe(session, &packet).refusal == TICKSEAM_REFUSAL_SEQUENCE);
            }
        }
        SIZED(counters);
        CHECK(tickseam_session_counters(session, &counters) == TICKSEAM_OK);
        CHECK(counters.in_order == 200);
        CHECK(counters.count_overflow == (bits == 63 ? 200 : 0) && counters.sequence_out_of_range == (bits < 63 ? 1 : 0));
    }
    for (w = 1; w < sizeof widths / sizeof widths[0]; w++) {
        const uint32_t bits = widths[w];
        const uint64_t top = bits < 64 ? (UINT64_C(1) << bits) - 1 : UINT64_MAX;
        tickseam_config config = usual_config();
        tickseam_session *session = NULL;
        tickseam_packet packet;
        int64_t n;
        config.tick_bits = bits;
        CHECK(tickseam_session_init(&memory_a, sizeof memory_a, &config, &session) == TICKSEAM_OK);
        for (n = 0; n < 200; n++) {
            tickseam_answer answer;
            packet = usual_packet(n);
            packet.tick = (packet.tick + top - 1000) & top;
            answer = observe(session, &packet);
            /* Of 63 bits those after the turn do not fit a position that goes on: a segment begins. */
            if (bits == 63 && n == 2) CHECK(answer.disposition == TICKSEAM_QUARANTINED);
            else if (bits == 63 && n == 3) CHECK(answer.disposition == TICKSEAM_NEW_SEGMENT && answer.segment == 1);
            else CHECK(answer.disposition == TICKSEAM_IN_ORDER && answer.segment == (bits == 63 && n > 3));
        }
        if (bits < 64) {
            packet.tick = top + 1, packet.sequence++;
            CHECK(observe(session, &packet).refusal == TICKSEAM_REFUSAL_TICK);
        }
    }
}

/* A counter at its greatest number stays there: it is found in the session's memory by a number that nothing else holds. */
static void saturation(void) {
    enum { CALLS = 60013 };
    tickseam_session *session = begun(&memory_a);
    tickseam_packet packet = usual_packet(0);
    tickseam_counters counters;
    size_t i, found = 0, at = 0;
    uint64_t word;
    int call;
    packet.stream = 7;
    for (call = 0; call < CALLS; call++) CHECK(observe(session, &packet).refusal == TICKSEAM_REFUSAL_UNKNOWN_STREAM);
    MEANT_AS_IT_LIES(&memory_a, sizeof memory_a);
    for (i = 0; i + sizeof word <= sizeof memory_a; i += 4) {
        memcpy(&word, (const char *)&memory_a + i, sizeof word);
        if (word == CALLS) found++, at = i;
    }
    CHECK(found == 1);
    word = UINT64_MAX - 1;
    memcpy((char *)&memory_a + at, &word, sizeof word);
    for (call = 0; call < 3; call++) (void)observe(session, &packet);
    SIZED(counters);
    CHECK(tickseam_session_counters(session, &counters) == TICKSEAM_OK);
    CHECK(counters.unknown_stream == UINT64_MAX && counters.in_order == 0);
}

static void texts(void) {
    static const char *const status[] = {
        "ok", "a pointer that must not be null is null", "a pointer is not aligned as its type has to be",
        "memory that was lent is too short", "struct_size is not the size of the struct", "the memory holds no session",
        "a value is out of its range, not a number, or infinite", "no such stream, none at all, or too many",
        "nothing is known yet", "there is no further one", "these bytes are no saved session",
        "the session was saved by another build of the library", "the saved session was altered since"};
    static const int32_t wild[] = {1, 99, -13, -1000, INT32_MAX, INT32_MIN};
    int32_t i;
    for (i = 0; i < 13; i++) CHECK(strcmp(tickseam_status_text(-i), status[i]) == 0);
    for (i = 0; i < 6; i++) {
        CHECK(strcmp(tickseam_status_text(wild[i]), "no status of this library") == 0);
        if (wild[i] != 1) {
            CHECK(strcmp(tickseam_disposition_text(wild[i]), "no disposition of this library") == 0);
            CHECK(strcmp(tickseam_line_text(wild[i]), "no line of a budget") == 0);
        }
    }
    for (i = 0; i <= TICKSEAM_REJECTED; i++) {
        int32_t j;
        for (j = 0; j < i; j++) CHECK(strcmp(tickseam_disposition_text(i), tickseam_disposition_text(j)) != 0);
        CHECK(strcmp(tickseam_disposition_text(i), tickseam_disposition_text(-1)) != 0);
    }
    for (i = 0; i < TICKSEAM_LINES; i++) {
        int32_t j;
        for (j = i + 1; j <= TICKSEAM_LINES; j++) CHECK(strcmp(tickseam_line_text(i), tickseam_line_text(j)) != 0);
    }
    CHECK(strcmp(tickseam_line_text(TICKSEAM_LINES), "no line of a budget") == 0);
}

int main(void) {
    init();
    observing();
    asking();
    maps();
    saving();
    set_clocks();
    replaying();
    limits();
    saturation();
    texts();
    puts("arguments: as the header says");
    return 0;
}
