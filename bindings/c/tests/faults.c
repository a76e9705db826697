/* Faults planted one by one, as programs make them: the harness has to catch each, or its silence elsewhere says nothing. */
#include "check.h"
#include <pthread.h>

enum { PACKETS = 1000 };

/* A list of stamps that is one too short for what is written into it. */
static void written_past_its_end(void) {
    /* Unknown to the compiler, which would see the fault itself. */
    volatile size_t room = PACKETS;
    size_t i;
    int64_t *host_ns = malloc(room * sizeof *host_ns);
    CHECK(host_ns != NULL);
    for (i = 0; i <= PACKETS; i++) host_ns[i] = usual_packet((int64_t)i).host_ns;
    CHECK(host_ns[0] > HOST_0);
    free(host_ns);
}

/* Seconds made nanoseconds in a type that they do not fit into. */
static void stamp_that_overflows(void) {
    volatile int64_t seconds = INT64_MAX / 1000;
    volatile int64_t host_ns = seconds * INT64_C(1000000000);
    CHECK(host_ns != HOST_0);
}

/* Memory that is smaller than the size that the library is told. */
static void memory_too_small(void) {
    tickseam_config config = usual_config();
    tickseam_session *session;
    void *half = malloc(sizeof(tickseam_session_memory) / 2);
    CHECK(half != NULL);
    CHECK(tickseam_session_init(half, sizeof(tickseam_session_memory), &config, &session) == TICKSEAM_OK);
    feed(session, 0, PACKETS);
    free(half);
}

static tickseam_session_memory memory;
static tickseam_session *one_session;
static pthread_barrier_t both;

static void *observed(void *argument) {
    int64_t from = argument == NULL ? 0 : PACKETS;
    (void)pthread_barrier_wait(&both);
    feed(one_session, from, from + PACKETS);
    return NULL;
}

/* One session, observed by two threads that no lock keeps apart. */
static void one_session_in_two_threads(void) {
    pthread_t threads[2];
    tickseam_config config = usual_config();
    CHECK(tickseam_session_init(&memory, sizeof memory, &config, &one_session) == TICKSEAM_OK);
    CHECK(pthread_barrier_init(&both, NULL, 2) == 0);
    CHECK(pthread_create(&threads[0], NULL, observed, NULL) == 0);
    CHECK(pthread_create(&threads[1], NULL, observed, threads) == 0);
    CHECK(pthread_join(threads[0], NULL) == 0 && pthread_join(threads[1], NULL) == 0);
}

int main(int count, char **words) {
    const char *fault = count == 2 ? words[1] : "";
    if (strcmp(fault, "address") == 0) written_past_its_end();
    else if (strcmp(fault, "undefined") == 0) stamp_that_overflows();
    else if (strcmp(fault, "memory") == 0) memory_too_small();
    else if (strcmp(fault, "threads") == 0) one_session_in_two_threads();
    else return fprintf(stderr, "faults address|undefined|memory|threads\n"), 2;
    puts("faults: not caught");
    return 0;
}
