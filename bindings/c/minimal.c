/* From a radio's callback to a placed event. */
#include "tickseam.h"
#include <stdio.h>

static tickseam_session_memory memory;
static tickseam_session *session;

/* The radio's callback: host_ns from the monotonic clock, read first; the rest from the packet. */
static void received(int64_t host_ns, uint16_t sequence, uint32_t tick) {
    tickseam_packet packet = {host_ns, sequence, tick, 5, 0, 1, 0};
    tickseam_answer answer = {sizeof answer, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    tickseam_session_observe_packet(session, &packet, &answer);
}

int main(void) {
    tickseam_config config = {sizeof config, 32, 32768.0, 50.0, 0.001, 18000.0, 200.0, 0.0, 1, 1, {{250.0, 5, 16}, {0, 0, 0}, {0, 0, 0}, {0, 0, 0}}};
    tickseam_placement tone = {sizeof tone, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    int32_t status = tickseam_session_init(&memory, sizeof memory, &config, &session);
    for (int64_t n = 0; n < 1000 && status == TICKSEAM_OK; n++)
        received(7000000000 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1000000, (uint16_t)n, (uint32_t)(n * 32768 / 50));
    if (status == TICKSEAM_OK) status = tickseam_session_place(session, 27000000000, 0.0, 0.0, &tone);
    if (status != TICKSEAM_OK) return puts(tickseam_status_text(status)), 1;
    printf("the tone fell on sample %.3f, give or take %.3f ms\n", tone.sample, tone.u95_us / 1e3);
    return 0;
}
