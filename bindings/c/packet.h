/*
 * The head of a packet of samples, as it goes over the air: bytes only, so that no compiler pads it and no processor turns it round.
 * Shared by the firmware that fills it in and the app that reads it.
 */
#ifndef PACKET_H
#define PACKET_H

#include "tickseam.h"

typedef struct packet_head {
    uint8_t sequence[2]; /* lowest byte first; one up for each packet made, sent or not; 0 after a restart */
    uint8_t tick[4];     /* lowest byte first; the counter, latched at the first sample; at 32768 Hz it turns after 36 h */
    uint8_t samples;     /* samples that follow */
} packet_head;

/* Does not compile where the head is padded. */
typedef char packet_head_has_no_gaps[sizeof(packet_head) == 7 ? 1 : -1];

/* Firmware: fills in the head of the packet whose first sample was taken at `tick`. */
static inline void packet_write(packet_head *head, uint16_t sequence, uint32_t tick, uint8_t samples) {
    head->sequence[0] = (uint8_t)(sequence & 0xFF);
    head->sequence[1] = (uint8_t)(sequence >> 8);
    for (int byte = 0; byte < 4; byte++) head->tick[byte] = (uint8_t)(tick >> (8 * byte) & 0xFF);
    head->samples = samples;
}

/* App: what the session observes. `host_ns` is the host's clock, read first in the radio's callback. Returns 0 if `length` bytes are too few. */
static inline int packet_read(const uint8_t *bytes, size_t length, int64_t host_ns, tickseam_packet *packet) {
    tickseam_packet read = {host_ns, 0, 0, 0, 0, 1, 0};
    if (length < sizeof(packet_head)) return 0;
    read.sequence = (uint64_t)bytes[0] | (uint64_t)bytes[1] << 8;
    for (int byte = 0; byte < 4; byte++) read.tick |= (uint64_t)bytes[2 + byte] << (8 * byte);
    read.samples = bytes[6];
    *packet = read;
    return 1;
}

#endif
