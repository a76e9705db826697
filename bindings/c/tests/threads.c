/* As many sessions as threads, and one map that all of them read. */
#include "check.h"
#include <pthread.h>

enum { THREADS = 4 };
static tickseam_session_memory memories[THREADS];
static tickseam_map shared;
static double device_s[THREADS][2];

static void *run(void *argument) {
    size_t number = (size_t)(uintptr_t)argument;
    tickseam_config config = usual_config();
    tickseam_session *session;
    tickseam_placement placement;
    int i;
    CHECK(tickseam_session_init(&memories[number], sizeof memories[number], &config, &session) == TICKSEAM_OK);
    feed(session, 0, 2000);
    placement.struct_size = sizeof placement;
    CHECK(tickseam_session_place(session, HOST_0 + INT64_C(30000000000), 0, 0, &placement) == TICKSEAM_OK);
    device_s[number][0] = placement.device_s;
    for (i = 0; i < 1000; i++) {
        tickseam_device_instant instant;
        CHECK(tickseam_map_device_at(&shared, HOST_0 + INT64_C(30000000000), &instant) == TICKSEAM_OK);
        device_s[number][1] = instant.device_s;
    }
    return NULL;
}

int main(void) {
    pthread_t threads[THREADS];
    static tickseam_session_memory memory;
    tickseam_config config = usual_config();
    tickseam_session *session;
    size_t i;
    CHECK(tickseam_session_init(&memory, sizeof memory, &config, &session) == TICKSEAM_OK);
    feed(session, 0, 1500);
    shared.struct_size = sizeof shared;
    CHECK(tickseam_session_map(session, &shared) == TICKSEAM_OK);
    for (i = 0; i < THREADS; i++) CHECK(pthread_create(&threads[i], NULL, run, (void *)(uintptr_t)i) == 0);
    /* The session goes on while others read its map. */
    feed(session, 1500, 3000);
    for (i = 0; i < THREADS; i++) CHECK(pthread_join(threads[i], NULL) == 0);
    for (i = 0; i < THREADS; i++) {
        CHECK(device_s[i][0] == device_s[0][0] && device_s[i][1] == device_s[0][1]);
        CHECK(device_s[i][1] > 29.9 && device_s[i][1] < 30.1);
    }
    puts("threads: the same bits in each");
    return 0;
}
