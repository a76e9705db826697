/* The head of a packet: the bytes on the air, and back. */
#include "../packet.h"
#include "check.h"

int main(void) {
    static const uint8_t expected[] = {0x34, 0x12, 0xEF, 0xBE, 0xAD, 0xDE, 8};
    tickseam_packet packet = {1, 2, 3, 4, 5, 6, 7};
    packet_head head;
    packet_write(&head, 0x1234, 0xDEADBEEFu, 8);
    CHECK(memcmp(&head, expected, sizeof expected) == 0);
    CHECK(packet_read(expected, 6, -5, &packet) == 0);
    CHECK(packet.host_ns == 1 && packet.samples == 4);
    CHECK(packet_read(expected, sizeof expected, -5, &packet) == 1);
    CHECK(packet.host_ns == -5 && packet.sequence == 0x1234 && packet.tick == 0xDEADBEEFu && packet.samples == 8);
    CHECK(packet.stream == 0 && packet.has_tick == 1 && packet.reserved == 0);
    puts("packet: the bytes on the air, and back");
    return 0;
}
