/* From a radio's callback to a placed event, in C++. */
#include "tickseam.hpp"
#include <cstdio>

using namespace std::chrono_literals;

/* A headset of one stream: 250 Hz in packets of 5, a tick of 32768 Hz, a fixed delay of 18 ms. */
class headset {
  public:
    tickseam::status begin() {
        tickseam::config known;
        known.tick_bits = 32;
        known.tick_hz = 32768.0;
        known.tolerance_ppm = 50.0;
        known.host_step_us = 0.001;
        known.fixed_delay_us = 18000.0;
        known.fixed_delay_u_us = 200.0;
        known.fixed_delay_known = 1;
        known.stream_count = 1;
        known.streams[0] = {250.0, 5, 16};
        return session_.begin(known);
    }

    /* The radio's callback: the stamp from the monotonic clock, read first; the rest from the packet. */
    void received(std::chrono::nanoseconds stamp, std::uint16_t sequence, std::uint32_t tick) {
        const auto answer = session_.observe({stamp, sequence, tick, 5, 0});
        if (answer && answer->disposition == TICKSEAM_OPENS_GAP)
            std::printf("%llu packets are missing\n", static_cast<unsigned long long>(answer->missing_count));
    }

    /* A tone that was stamped when it sounded. */
    auto tone(std::chrono::nanoseconds stamp) const { return session_.place(stamp); }

  private:
    tickseam::session session_;
};

int main() {
    static headset headset;
    if (const auto begun = headset.begin(); begun != tickseam::status::ok) return std::puts(tickseam::text(begun)), 1;
    for (int n = 0; n < 1000; n++) {
        if (n == 400) continue;
        const auto stamp = 7s + n * 20ms + 18ms + (14 - n * 20 % 15) * 1ms;
        headset.received(stamp, static_cast<std::uint16_t>(n), static_cast<std::uint32_t>(std::int64_t{n} * 32768 / 50));
    }
    const auto tone = headset.tone(27s);
    if (!tone) return std::puts(tickseam::text(tone.status())), 1;
    std::printf("the tone fell on sample %.3f, give or take %.3f ms\n", tone->sample, tone->u95_us / 1e3);
}
