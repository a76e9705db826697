/* What the C tests share. */
#ifndef CHECK_H
#define CHECK_H

#include "tickseam.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHECK(condition)                                                                    \
    do {                                                                                    \
        if (!(condition)) {                                                                 \
            fprintf(stderr, "%s:%d: not so: %s\n", __FILE__, __LINE__, #condition);         \
            exit(1);                                                                        \
        }                                                                                   \
    } while (0)

#define HOST_0 INT64_C(7000000000)

/* One stream of 250 Hz in packets of 5, a tick of 32 kHz, a fixed delay of 18 ms. */
static inline tickseam_config usual_config(void) {
    tickseam_config config;
    memset(&config, 0, sizeof config);
    config.struct_size = sizeof config;
    config.tick_bits = 32;
    config.tick_hz = 32768.0;
    config.tolerance_ppm = 50.0;
    config.host_step_us = 0.001;
    config.fixed_delay_us = 18000.0;
    config.fixed_delay_u_us = 200.0;
    config.fixed_delay_known = 1;
    config.stream_count = 1;
    config.streams[0].rate_hz = 250.0;
    config.streams[0].samples_per_packet = 5;
    config.streams[0].sequence_bits = 16;
    return config;
}

/* Packet n of a headset that sends on a grid of 15 ms. */
static inline tickseam_packet usual_packet(int64_t n) {
    tickseam_packet packet;
    memset(&packet, 0, sizeof packet);
    packet.host_ns = HOST_0 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1000000;
    packet.sequence = (uint64_t)(n % 65536);
    packet.tick = (uint64_t)(n * 32768 / 50);
    packet.has_tick = 1;
    packet.samples = 5;
    return packet;
}

static inline tickseam_answer observe(tickseam_session *session, const tickseam_packet *packet) {
    tickseam_answer answer;
    answer.struct_size = sizeof answer;
    CHECK(tickseam_session_observe_packet(session, packet, &answer) == TICKSEAM_OK);
    return answer;
}

static inline void feed(tickseam_session *session, int64_t from, int64_t to) {
    int64_t n;
    for (n = from; n < to; n++) {
        tickseam_packet packet = usual_packet(n);
        (void)observe(session, &packet);
    }
}

#endif
