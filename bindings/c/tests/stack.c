/*
 * Stack that calls take, measured on painted stacks of threads: from the calling function's frame down to the lowest byte that changed.
 *
 *     stack OBSERVE_BYTES ASK_BYTES REPLAY_BYTES        fails where a call takes more
 */
#include "check.h"
#include <pthread.h>

enum { STACK = 1 << 20, PACKETS = 3000, FRAME = 256 };

static unsigned char stack[STACK] __attribute__((aligned(4096)));
static tickseam_session_memory memory;
static tickseam_session *session;
static uint64_t scratch[100000];
static int64_t host_ns[PACKETS];
static uint64_t sequence[PACKETS], tick[PACKETS];

/* Everything that a call reads or writes lies here, so that the stack holds its frames and nothing else. */
static tickseam_config config;
static tickseam_packet packet;
static tickseam_answer answer;
static tickseam_placement placement;
static tickseam_map map, inverted;
static tickseam_packets packets;
static tickseam_events events;
static tickseam_replay_report report;
static int64_t event_ns = HOST_0 + INT64_C(9000000000);
static size_t bytes;

static void observing(void) {
    int64_t n;
    for (n = 0; n < PACKETS; n++) {
        /* A restart on the way, so that what waits is settled too. */
        packet = usual_packet(n);
        if (n >= 2000) packet.sequence -= 2000, packet.tick -= 2000 * 32768 / 50;
        answer.struct_size = sizeof answer;
        CHECK(tickseam_session_observe_packet(session, &packet, &answer) == TICKSEAM_OK);
        if (n % 100 == 50) {
            int32_t sighted;
            CHECK(tickseam_session_observe_marker(session, packet.host_ns - 25000000, packet.tick, &sighted) == TICKSEAM_OK);
        }
    }
}

static void asking(void) {
    placement.struct_size = sizeof placement, map.struct_size = sizeof map, inverted.struct_size = sizeof inverted;
    CHECK(tickseam_session_place(session, event_ns, 0, 0, &placement) == TICKSEAM_OK);
    CHECK(tickseam_session_map(session, &map) == TICKSEAM_OK);
    CHECK(tickseam_map_invert(&map, &inverted) == TICKSEAM_OK);
    CHECK(tickseam_map_chain(&map, &inverted, &map) == TICKSEAM_OK);
}

static void replaying(void) {
    placement.struct_size = sizeof placement, report.struct_size = sizeof report;
    CHECK(tickseam_replay_scratch(&config, &packets, NULL, &events, &bytes) == TICKSEAM_OK && bytes <= sizeof scratch);
    CHECK(tickseam_replay(&config, &packets, NULL, &events, scratch, sizeof scratch, &placement, &report) == TICKSEAM_OK);
}

static unsigned char *volatile frame;
static void nothing(void) {}

static void *called(void *call) {
    unsigned char here;
    frame = &here;
    (*(void (**)(void))call)();
    return NULL;
}

/* Bytes below the frame of `called` that a call changed. */
static size_t taken(void (*call)(void)) {
    pthread_attr_t attributes;
    pthread_t thread;
    size_t lowest = 0;
    memset(stack, 0xA5, sizeof stack);
    CHECK(pthread_attr_init(&attributes) == 0);
    CHECK(pthread_attr_setstack(&attributes, stack, sizeof stack) == 0);
    CHECK(pthread_create(&thread, &attributes, called, &call) == 0);
    CHECK(pthread_join(thread, NULL) == 0);
    CHECK(pthread_attr_destroy(&attributes) == 0);
    while (lowest < sizeof stack && stack[lowest] == 0xA5) lowest++;
    CHECK(lowest > 0 && frame > stack + lowest && frame < stack + sizeof stack);
    return (size_t)(frame - (stack + lowest));
}

int main(int count, char **words) {
    static const char *const names[] = {"observe", "place, map, invert, chain", "replay"};
    void (*const calls[])(void) = {observing, asking, replaying};
    size_t i, idle;
    CHECK(count == 4);
    config = usual_config();
    CHECK(tickseam_session_init(&memory, sizeof memory, &config, &session) == TICKSEAM_OK);
    for (i = 0; i < PACKETS; i++) {
        packet = usual_packet((int64_t)i);
        host_ns[i] = packet.host_ns, sequence[i] = packet.sequence, tick[i] = packet.tick;
    }
    packets.struct_size = sizeof packets, packets.count = PACKETS;
    packets.host_ns = host_ns, packets.sequence = sequence, packets.tick = tick;
    events.struct_size = sizeof events, events.count = 1, events.host_ns = &event_ns;
    idle = taken(nothing);
    for (i = 0; i < 3; i++) {
        const size_t found = taken(calls[i]), most = (size_t)strtoull(words[i + 1], NULL, 10);
        printf("%s: %lu of %lu bytes of stack\n", names[i], (unsigned long)found, (unsigned long)most);
        /* A call that takes no more than none has not been measured. */
        CHECK(found > idle + FRAME);
        if (found > most) {
            fprintf(stderr, "%s takes %lu bytes of stack, its budget is %lu\n", names[i], (unsigned long)found, (unsigned long)most);
            return 1;
        }
    }
    return 0;
}
