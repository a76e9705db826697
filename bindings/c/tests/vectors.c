/* The shared vector file: the same packets in, the same bits out. Its first lines say what its rows mean. */
#include "check.h"
#include <inttypes.h>

static tickseam_session_memory memory;

/* Bits of a number, and of the number that a word says in hexadecimal. */
static int same(double number, const char *word) {
    double said = strtod(word, NULL);
    return memcmp(&number, &said, sizeof said) == 0;
}

int main(int count, char **words) {
    char line[512];
    unsigned long number = 0, places = 0, packets = 0;
    tickseam_session *session = NULL;
    FILE *file;
    CHECK(count == 2);
    file = fopen(words[1], "r");
    CHECK(file != NULL);
    while (fgets(line, sizeof line, file) != NULL) {
        char *cell[16];
        int cells = 0;
        char *word;
        number++;
        if (line[0] == '#') continue;
        line[strcspn(line, "\n")] = 0;
        for (word = line; word != NULL && cells < 16; cells++) {
            cell[cells] = word;
            word = strchr(word, ',');
            if (word != NULL) *word++ = 0;
        }
        if (strcmp(cell[0], "config") == 0) {
            tickseam_config config;
            CHECK(cells == 11);
            memset(&config, 0, sizeof config);
            config.struct_size = sizeof config;
            config.tick_hz = strtod(cell[1], NULL);
            config.tick_bits = (uint32_t)strtoul(cell[2], NULL, 10);
            config.tolerance_ppm = strtod(cell[3], NULL);
            config.host_step_us = strtod(cell[4], NULL);
            config.fixed_delay_us = strtod(cell[5], NULL);
            config.fixed_delay_u_us = strtod(cell[6], NULL);
            config.fixed_delay_known = 1;
            config.interval_us = strtod(cell[7], NULL);
            config.stream_count = 1;
            config.streams[0].rate_hz = strtod(cell[8], NULL);
            config.streams[0].samples_per_packet = (uint32_t)strtoul(cell[9], NULL, 10);
            config.streams[0].sequence_bits = (uint32_t)strtoul(cell[10], NULL, 10);
            CHECK(tickseam_session_init(&memory, sizeof memory, &config, &session) == TICKSEAM_OK);
        } else if (strcmp(cell[0], "packet") == 0) {
            tickseam_packet packet;
            CHECK(cells == 6);
            memset(&packet, 0, sizeof packet);
            packet.host_ns = strtoll(cell[1], NULL, 10);
            packet.sequence = strtoull(cell[2], NULL, 10);
            packet.tick = strtoull(cell[3], NULL, 10);
            packet.has_tick = 1;
            packet.samples = (uint32_t)strtoul(cell[4], NULL, 10);
            if (observe(session, &packet).disposition != (int32_t)strtol(cell[5], NULL, 10)) {
                fprintf(stderr, "%s:%lu: another disposition\n", words[1], number);
                return 1;
            }
            packets++;
        } else if (strcmp(cell[0], "exchange") == 0) {
            int32_t sighted;
            CHECK(cells == 6);
            CHECK(tickseam_session_observe_exchange(session, strtoll(cell[1], NULL, 10), strtoull(cell[2], NULL, 10),
                                                    strtoull(cell[3], NULL, 10), strtoll(cell[4], NULL, 10),
                                                    &sighted) == TICKSEAM_OK);
            CHECK(sighted == (int32_t)strtol(cell[5], NULL, 10));
        } else if (strcmp(cell[0], "place") == 0) {
            tickseam_placement placed;
            tickseam_map map;
            tickseam_host_instant instant;
            CHECK(cells == 12);
            placed.struct_size = sizeof placed, map.struct_size = sizeof map;
            CHECK(tickseam_session_place(session, strtoll(cell[1], NULL, 10), strtod(cell[2], NULL), strtod(cell[3], NULL),
                                         &placed) == TICKSEAM_OK);
            CHECK(tickseam_session_map(session, &map) == TICKSEAM_OK);
            CHECK(tickseam_session_host_at(session, placed.device_s, &instant) == TICKSEAM_OK);
            if (placed.segment != strtoul(cell[4], NULL, 10) || !same(placed.device_s, cell[5]) ||
                !same(placed.u_us, cell[6]) || !same(placed.u95_us, cell[7]) || !same(placed.link_us, cell[8]) ||
                !same(map.offset_us, cell[9]) || !same(map.rate_ppm, cell[10]) ||
                instant.host_ns != strtoll(cell[11], NULL, 10)) {
                fprintf(stderr, "%s:%lu: other bits: %a %a %a %a %a %a %" PRId64 "\n", words[1], number, placed.device_s,
                        placed.u_us, placed.u95_us, placed.link_us, map.offset_us, map.rate_ppm, instant.host_ns);
                return 1;
            }
            places++;
        } else {
            fprintf(stderr, "%s:%lu: no such row\n", words[1], number);
            return 1;
        }
    }
    fclose(file);
    CHECK(places > 50 && packets > 2000);
    printf("vectors: %lu packets, %lu placements, the same bits\n", packets, places);
    return 0;
}
