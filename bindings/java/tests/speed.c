/* Time of one observed packet from C, as Speed.java measures it from Java: ns, the best of several rounds. */
#include "tickseam.h"
#include <stdio.h>
#include <string.h>
#include <time.h>

#define PACKETS 200000
#define ROUNDS 7

static tickseam_session_memory memory;

static double now_ns(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec * 1e9 + (double)at.tv_nsec;
}

int main(void) {
    double best = 1e300;
    int round;
    for (round = 0; round < ROUNDS; round++) {
        tickseam_config config;
        tickseam_session *session = NULL;
        tickseam_answer answer;
        int64_t n;
        double from, each;
        memset(&config, 0, sizeof config);
        config.struct_size = sizeof config, config.tick_bits = 32, config.tick_hz = 32768.0;
        config.tolerance_ppm = 50.0, config.host_step_us = 0.001, config.stream_count = 1;
        config.streams[0].rate_hz = 250.0, config.streams[0].samples_per_packet = 5, config.streams[0].sequence_bits = 16;
        if (tickseam_session_init(&memory, sizeof memory, &config, &session) != TICKSEAM_OK) return 1;
        answer.struct_size = sizeof answer;
        from = now_ns();
        for (n = 0; n < PACKETS; n++) {
            tickseam_packet packet;
            packet.host_ns = INT64_C(7000000000) + (n * 20 + 18 + (14 - n * 20 % 15)) * 1000000;
            packet.sequence = (uint64_t)(n & 0xFFFF), packet.tick = (uint64_t)(n * 32768 / 50);
            packet.samples = 5, packet.stream = 0, packet.has_tick = 1, packet.reserved = 0;
            if (tickseam_session_observe_packet(session, &packet, &answer) != TICKSEAM_OK || !answer.has_place) return 1;
        }
        each = (now_ns() - from) / PACKETS;
        if (each < best) best = each;
    }
    printf("%f\n", best);
    return 0;
}
