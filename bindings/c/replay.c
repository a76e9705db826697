/*
 * Reads packets.csv (host_ns,stream,sequence,tick,samples, as a recording folder has it) and events (host_ns, one a line) and prints
 * where each event fell. Takes what exchanges.csv and markers.csv beside packets.csv tell, where they are there.
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

enum { CELLS = 4, HOST = 0, TICK = 1 };

/* Rows of whole numbers, in columns: those of the host in `host`, those of the device in `tick`. */
typedef struct {
    int64_t *host[2];
    uint64_t *tick[2];
    size_t count;
} sighted;

/* Reads a file with this heading beside another one; `kind` tells of each column whose clock it is. None of them where there is no file. */
static sighted beside(const char *packets, const char *name, const char *heading, const int *kind, int cells) {
    const char *folder_end = strrchr(packets, '/');
    const size_t folder = folder_end == NULL ? 0 : (size_t)(folder_end - packets) + 1;
    char *path = (char *)grown(NULL, folder + strlen(name) + 1, 1), line[256];
    sighted found;
    size_t room = 0;
    FILE *file;
    memset(&found, 0, sizeof found);
    memcpy(path, packets, folder), strcpy(path + folder, name);
    file = fopen(path, "r");
    if (file != NULL && (fgets(line, sizeof line, file) == NULL || strncmp(line, heading, strlen(heading)) != 0)) {
        fprintf(stderr, "%s:1: not %s\n", path, heading);
        exit(1);
    }
    while (file != NULL && fgets(line, sizeof line, file) != NULL) {
        char *at = line, *end;
        int cell, of[2] = {0, 0};
        if (found.count == room) {
            int i;
            room = room == 0 ? 256 : 2 * room;
            for (i = 0; i < 2; i++) {
                found.host[i] = (int64_t *)grown(found.host[i], room, sizeof(int64_t));
                found.tick[i] = (uint64_t *)grown(found.tick[i], room, sizeof(uint64_t));
            }
        }
        for (cell = 0; cell < cells; cell++) {
            if (kind[cell] == HOST) found.host[of[HOST]++][found.count] = strtoll(at, &end, 10);
            else found.tick[of[TICK]++][found.count] = strtoull(at, &end, 10);
            if (end == at || (cell + 1 < cells && *end != ',')) {
                fprintf(stderr, "%s:%lu: not %s\n", path, (unsigned long)found.count + 2, heading);
                exit(1);
            }
            at = end + 1;
        }
        found.count++;
    }
    if (file != NULL) fclose(file);
    free(path);
    return found;
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
    static const int exchange_kinds[CELLS] = {HOST, TICK, TICK, HOST}, marker_kinds[CELLS] = {HOST, TICK, 0, 0};
    static const char *const standing[] = {"placed", "in-gap", "outside"};
    sighted exchanges, markers;
    tickseam_sightings sightings;
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

    exchanges = beside(words[1], "exchanges.csv", "origin_ns,receive_tick,transmit_tick,destination_ns", exchange_kinds, 4);
    markers = beside(words[1], "markers.csv", "host_ns,tick", marker_kinds, 2);

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
    memset(&sightings, 0, sizeof sightings);
    sightings.struct_size = sizeof sightings;
    sightings.exchange_count = exchanges.count, sightings.marker_count = markers.count;
    sightings.origin_ns = exchanges.host[0], sightings.destination_ns = exchanges.host[1];
    sightings.receive_tick = exchanges.tick[0], sightings.transmit_tick = exchanges.tick[1];
    sightings.marker_host_ns = markers.host[0], sightings.marker_tick = markers.tick[0];
    memset(&asked, 0, sizeof asked);
    asked.struct_size = sizeof asked;
    asked.count = events.count;
    asked.host_ns = events.host_ns;

    status = tickseam_replay_scratch(&config, &packets, &sightings, &asked, &scratch_size);
    if (status != TICKSEAM_OK) return failed(status);
    scratch = grown(NULL, scratch_size, 1);
    placements = (tickseam_placement *)grown(NULL, events.count + 1, sizeof *placements);
    placements[0].struct_size = sizeof *placements;
    report.struct_size = sizeof report;
    status = tickseam_replay(&config, &packets, &sightings, &asked, scratch, scratch_size, placements, &report);
    if (status != TICKSEAM_OK) return failed(status);

    fprintf(stderr, "%" PRIu64 " exchanges and %" PRIu64 " markers bound the clock\n", report.exchanges_used, report.markers_used);
    puts("host_ns,segment,onset_s,sample,u95_ms,status");
    for (i = 0; i < events.count; i++)
        printf("%" PRId64 ",%" PRIu32 ",%.9f,%.6f,%.6f,%s\n", events.host_ns[i], placements[i].segment,
               placements[i].device_s, placements[i].sample, placements[i].u95_us / 1e3, standing[placements[i].status]);
    free(scratch), free(placements);
    for (i = 0; i < 2; i++)
        free(exchanges.host[i]), free(exchanges.tick[i]), free(markers.host[i]), free(markers.tick[i]);
    free(c.host_ns), free(c.stream), free(c.samples), free(c.sequence), free(c.tick), free(c.has_tick);
    free(events.host_ns), free(events.stream), free(events.samples), free(events.sequence), free(events.tick), free(events.has_tick);
    return 0;
}
