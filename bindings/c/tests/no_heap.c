/* Linked with an allocator that aborts: nothing in the library asks for memory. */
#include "tickseam.h"
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static volatile int armed;
static _Alignas(16) char arena[1 << 20];
static size_t used;

static void *take(size_t size) {
    char *place = arena + used;
    if (armed) abort();
    used += (size + 15) & ~(size_t)15;
    if (used > sizeof arena) abort();
    return place;
}
void *malloc(size_t size) { return take(size); }
void *calloc(size_t count, size_t size) { return memset(take(count * size), 0, count * size); }
void *realloc(void *old, size_t size) { void *place = take(size); if (old) memcpy(place, old, size); return place; }
void free(void *place) { (void)place; if (armed) abort(); }
void *aligned_alloc(size_t alignment, size_t size) { (void)alignment; return take(size); }
int posix_memalign(void **place, size_t alignment, size_t size) { (void)alignment; *place = take(size); return 0; }

#include "check.h"

int main(int count, char **words) {
    static tickseam_session_memory memory;
    static int64_t host_ns[1000];
    static uint64_t sequence[1000], tick[1000];
    static uint64_t scratch[64000];
    const int64_t event_ns = HOST_0 + INT64_C(9000000000);
    tickseam_config config = usual_config();
    tickseam_session *session;
    tickseam_placement placement;
    tickseam_map map;
    tickseam_packets packets;
    tickseam_events events;
    tickseam_replay_report report;
    size_t i, bytes;
    (void)words;
    armed = 1;
    if (count > 1) { /* The control: this has to abort. */
        void *volatile place = malloc(1);
        free(place);
    }
    CHECK(tickseam_session_init(&memory, sizeof memory, &config, &session) == TICKSEAM_OK);
    feed(session, 0, 1000);
    placement.struct_size = sizeof placement, map.struct_size = sizeof map, report.struct_size = sizeof report;
    CHECK(tickseam_session_place(session, event_ns, 0, 0, &placement) == TICKSEAM_OK);
    CHECK(tickseam_session_map(session, &map) == TICKSEAM_OK);
    for (i = 0; i < 1000; i++) {
        tickseam_packet packet = usual_packet((int64_t)i);
        host_ns[i] = packet.host_ns, sequence[i] = packet.sequence, tick[i] = packet.tick;
    }
    memset(&packets, 0, sizeof packets), memset(&events, 0, sizeof events);
    packets.struct_size = sizeof packets, packets.count = 1000;
    packets.host_ns = host_ns, packets.sequence = sequence, packets.tick = tick;
    events.struct_size = sizeof events, events.count = 1, events.host_ns = &event_ns;
    CHECK(tickseam_replay_scratch(&config, &packets, NULL, &events, &bytes) == TICKSEAM_OK && bytes <= sizeof scratch);
    CHECK(tickseam_replay(&config, &packets, NULL, &events, scratch, sizeof scratch, &placement, &report) == TICKSEAM_OK);
    armed = 0;
    (void)!write(1, "no heap: none asked for\n", 24);
    return 0;
}
