/*
 * Reads packets.csv (host_ns,stream,sequence,tick,samples, as a recording folder has it) and events (host_ns, one a line) and prints
 * where each event fell.
 *
 *     replay packets.csv events.txt RATE_HZ SAMPLES_PER_PACKET SEQUENCE_BITS TICK_HZ TICK_BITS FIXED_DELAY_US FIXED_DELAY_U_US
 */
#include "tickseam.h"
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    int64_t *host_ns;
    uint32_t *stream, *samples;
    uint64_t *sequence, *tick;
    uint8_t *has_tick;
    size_t count, room;
} columns;

static void *grown(void *old, size_t elements, size_t size) {
    void *place = realloc(old, elements * size);
    if (place == NULL) {
        fputs("out of memory\n", stderr);
        exit(1);
    }
    return place;
}

static void grow(columns *c) {
    if (c->count < c->room) return;
    c->room = c->room == 0 ? 4096 : 2 * c->room;
    c->host_ns = (int64_t *)grown(c->host_ns, c->room, sizeof *c->host_ns);
    c->stream = (uint32_t *)grown(c->stream, c->room, sizeof *c->stream);
    c->samples = (uint32_t *)grown(c->samples, c->room, sizeof *c->samples);
    c->sequence = (uint64_t *)grown(c->sequence, c->room, sizeof *c->sequence);
    c->tick = (uint64_t *)grown(c->tick, c->room, sizeof *c->tick);
    c->has_tick = (uint8_t *)grown(c->has_tick, c->room, sizeof *c->has_tick);
}

/* One row of packets.csv; the tick may be empty. Only the stream of the first row is looked at. */
static int row(const char *line, columns *c) {
    static char reference[64];
    char *end;
    const char *name;
    size_t length;
    grow(c);
    c->host_ns[c->count] = strtoll(line, &end, 10);
    if (end == line || *end != ',') return 0;
    name = end + 1;
    length = strcspn(name, ",");
    if (length == 0 || length >= sizeof reference || name[length] != ',') return 0;
    if (reference[0] == 0) memcpy(reference, name, length);
    if (strlen(reference) != length || memcmp(reference, name, length) != 0) return 1;
    c->stream[c->count] = 0;
    end += 1 + length;
    c->sequence[c->count] = strtoull(end + 1, &end, 10);
    if (*end != ',') return 0;
    c->has_tick[c->count] = end[1] != ',';
    c->tick[c->count] = c->has_tick[c->count] ? strtoull(end + 1, &end, 10) : (end++, 0);
    if (*end != ',') return 0;
    c->samples[c->count] = (uint32_t)strtoul(end + 1, NULL, 10);
    c->count++;
    return 1;
}

static FILE *opened(const char *path) {
    FILE *file = fopen(path, "r");
    if (file == NULL) {
        perror(path);
        exit(1);
    }
    return file;
}

static int failed(int32_t status) {
    fprintf(stderr, "%s\n", tickseam_status_text(status));
    return 1;
}

int main(int count, char **words) {
    char line[256];
    unsigned long number = 1;
    columns c, events;
    tickseam_config config;
    tickseam_packets packets;
    tickseam_events asked;
    tickseam_replay_report report;
    tickseam_placement *placements;
    size_t scratch_size, i;
    void *scratch;
    int32_t status;
    FILE *file;
    if (count != 10) {
        fputs("replay packets.csv events.txt RATE_HZ SAMPLES_PER_PACKET SEQUENCE_BITS TICK_HZ TICK_BITS FIXED_DELAY_US "
              "FIXED_DELAY_U_US\n", stderr);
        return 2;
    }
    memset(&c, 0, sizeof c), memset(&events, 0, sizeof events);
    file = opened(words[1]);
    if (fgets(line, sizeof line, file) == NULL || strncmp(line, "host_ns,", 8) != 0) {
        fprintf(stderr, "%s:1: no heading\n", words[1]);
        return 1;
    }
    while (fgets(line, sizeof line, file) != NULL) {
        number++;
        if (!row(line, &c)) {
            fprintf(stderr, "%s:%lu: not host_ns,stream,sequence,tick,samples\n", words[1], number);
            return 1;
        }
    }
    fclose(file);
    file = opened(words[2]);
    while (fgets(line, sizeof line, file) != NULL) {
        grow(&events);
        events.host_ns[events.count++] = strtoll(line, NULL, 10);
    }
    fclose(file);

    memset(&config, 0, sizeof config);
    config.struct_size = sizeof config;
    config.tick_hz = strtod(words[6], NULL);
    config.tick_bits = (uint32_t)strtoul(words[7], NULL, 10);
    config.tolerance_ppm = 50.0;
    config.host_step_us = 0.001;
    config.fixed_delay_us = strtod(words[8], NULL);
    config.fixed_delay_u_us = strtod(words[9], NULL);
    config.fixed_delay_known = 1;
    config.stream_count = 1;
    config.streams[0].rate_hz = strtod(words[3], NULL);
    config.streams[0].samples_per_packet = (uint32_t)strtoul(words[4], NULL, 10);
    config.streams[0].sequence_bits = (uint32_t)strtoul(words[5], NULL, 10);
    memset(&packets, 0, sizeof packets);
    packets.struct_size = sizeof packets;
    packets.count = c.count;
    packets.host_ns = c.host_ns;
    packets.stream = c.stream;
    packets.sequence = c.sequence;
    packets.tick = c.tick;
    packets.has_tick = c.has_tick;
    packets.samples = c.samples;
    memset(&asked, 0, sizeof asked);
    asked.struct_size = sizeof asked;
    asked.count = events.count;
    asked.host_ns = events.host_ns;

    status = tickseam_replay_scratch(&config, &packets, &scratch_size);
    if (status != TICKSEAM_OK) return failed(status);
    scratch = grown(NULL, scratch_size, 1);
    placements = (tickseam_placement *)grown(NULL, events.count + 1, sizeof *placements);
    placements[0].struct_size = sizeof *placements;
    report.struct_size = sizeof report;
    status = tickseam_replay(&config, &packets, &asked, scratch, scratch_size, placements, &report);
    if (status != TICKSEAM_OK) return failed(status);

    puts("host_ns,segment,onset_s,sample,u95_ms");
    for (i = 0; i < events.count; i++)
        printf("%" PRId64 ",%" PRIu32 ",%.9f,%.6f,%.6f\n", events.host_ns[i], placements[i].segment,
               placements[i].device_s, placements[i].sample, placements[i].u95_us / 1e3);
    free(scratch), free(placements);
    free(c.host_ns), free(c.stream), free(c.samples), free(c.sequence), free(c.tick), free(c.has_tick);
    free(events.host_ns), free(events.stream), free(events.samples), free(events.sequence), free(events.tick), free(events.has_tick);
    return 0;
}
