/*
 * On the headset: which time of the phone's clock is it? From the requests that the phone sends, and from what it says of the answers.
 * The link below is invented, to try it with.
 */
#include "tickseam.h"
#include <math.h>
#include <stdio.h>

static tickseam_session_memory memory;
static tickseam_session *session;

/*
 * The two clocks change places: the session's host is the headset, its device the phone. A request is a packet of one sample.
 * own_us: the headset's timer, read first in the radio's interrupt. phone_us: the phone's clock as it wrote it into the request.
 */
static void requested(int64_t own_us, uint16_t sequence, uint64_t phone_us) {
    tickseam_packet packet = {own_us * 1000, sequence, phone_us, 1, 0, 1, 0};
    tickseam_answer answer = {sizeof answer, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    tickseam_session_observe_packet(session, &packet, &answer);
}

/*
 * With answers no fixed delay need be known. replied_us: when the headset sent its answer to the request before;
 * phone_received_us: when the phone had that answer, as it says in this request.
 */
static void answered(int64_t replied_us, uint64_t phone_received_us, uint64_t phone_us, int64_t own_us) {
    int32_t sighted = 0;
    tickseam_session_observe_exchange(session, replied_us * 1000, phone_received_us, phone_us, own_us * 1000, &sighted);
}

/* The phone's true time of what the headset's timer shows, 22 ppm fast, and a radio that sends each 15 ms. */
static double phone_s(double own_us) { return 5000.0 + own_us * (1.0 - 22e-6) / 1e6; }
static double own_us(double at_phone_s) { return (at_phone_s - 5000.0) * 1e6 / (1.0 - 22e-6); }
static double next_chance(double us) { return ceil(us / 15000.0) * 15000.0 + 400.0; }
static uint32_t drawn(uint32_t below) {
    static uint32_t state = 1;
    state = state * 1664525u + 1013904223u;
    return (uint32_t)(((uint64_t)state * below) >> 32);
}

int main(void) {
    /* The phone counts 48 bits of us, writes a request a second, and numbers them in 16 bits; its fixed delay is not known. */
    tickseam_config config = {sizeof config, 48, 1e6, 50.0, 1.0, 0.0, 0.0, 0.0, 0, 1, {{1.0, 1, 16}, {0, 0, 0}, {0, 0, 0}, {0, 0, 0}}};
    int32_t status = tickseam_session_init(&memory, sizeof memory, &config, &session);
    double first_s = 0.0, replied = 0.0, phone_received = 0.0;
    int wrong = 0;
    for (uint32_t n = 0; n < 600 && status == TICKSEAM_OK; n++) {
        /* Once a second, a tenth of it earlier or later at random: else requests would meet the radio's interval alike each time. */
        double asked = 5001.0 + n + drawn(200000) / 1e6;
        double came = next_chance(own_us(asked));
        if (n == 0) first_s = asked;
        if (n > 0) answered((int64_t)replied, (uint64_t)(phone_received * 1e6), (uint64_t)(asked * 1e6), (int64_t)came);
        requested((int64_t)came, (uint16_t)n, (uint64_t)(asked * 1e6));
        /* The answer goes out 3 to 18 ms later, at random as well. */
        replied = came + 3000.0 + drawn(15000);
        phone_received = phone_s(next_chance(replied));
        if (n % 100 == 99) {
            tickseam_placement at = {sizeof at, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0};
            status = tickseam_session_place(session, (int64_t)came * 1000 - 400000000, 0.0, 0.0, &at);
            if (status != TICKSEAM_OK) break;
            double error_us = (at.device_s + first_s - phone_s(came - 400000.0)) * 1e6;
            printf("after %3u requests: the phone's clock to %+.0f us, give or take %.0f us\n", n + 1, error_us, at.u95_us);
            wrong += !(fabs(error_us) <= at.u95_us);
        }
    }
    if (status != TICKSEAM_OK) return puts(tickseam_status_text(status)), 1;
    return wrong != 0;
}
