/*
 * tickseam: which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
 *
 * THREADS: one session, one thread at a time; a clock map and every other struct here is plain data that any thread may read,
 * and different sessions never touch each other.
 *
 * MEMORY: the library allocates nothing, frees nothing, keeps no globals, starts no thread, reads no clock and calls nothing back.
 * A session lives in memory that the caller owns and has as long as that stays. Pointers handed to a call are not kept beyond it.
 *
 * STATUS: a call answers TICKSEAM_OK or a negative TICKSEAM_ERROR_...; the comment of each function names those it can give without
 * the prefix. Null, misaligned and short memory, a wrong struct_size, NaN and infinities are answered, not followed. Outputs are
 * written on success only, unless a function's comment says otherwise. What the library cannot find out is whether memory of the said length is there.
 *
 * STRUCTS that may grow begin with struct_size: set it to the struct's sizeof, of inputs and of outputs, before each first use.
 * Bytes named reserved are 0.
 *
 * UNITS stand in the names. Positive drift = the headset's clock runs fast against the phone's. `u` is a standard uncertainty, `u95`
 * the half-width of a 95 % interval. The times in a function's comment are of a desktop processor and an order of magnitude.
 *
 * WAY: init; observe each packet in the radio's callback; place events a second or more after they happened.
 * Which clock to stamp with: one that never jumps and does not stop while the host sleeps. Where it is set or sleeps nevertheless, by more
 * than 1.25 packet periods (at least 20 ms), events before it are placed by what was known then, and one that either of two clocks may
 * have stamped gets an interval over both places. A clock set forward is sure after some 16 s (6 s for more than a second); until then
 * intervals of events since reach as far as it may have been set. Three settings in a segment are remembered.
 *
 * Not a medical device; no diagnosis.
 *
 * Written by `cargo xtask header`; change crates/tickseam-capi/src instead.
 */

#ifndef TICKSEAM_H
#define TICKSEAM_H

#include <stddef.h>
#include <stdint.h>

/*
 Alignment of the scratch memory, bytes.
 */
#define TICKSEAM_SCRATCH_ALIGN 8

/*
 Memory that one session needs, bytes.
 */
#define TICKSEAM_SESSION_SIZE 16896

/*
 Alignment that it needs, bytes.
 */
#define TICKSEAM_SESSION_ALIGN 8

/*
 Memory that a saved session needs, bytes: any alignment.
 */
#define TICKSEAM_SAVED_SIZE 16936

/*
 Number of this binary interface; it moves when a program has to be compiled anew.
 */
#define TICKSEAM_ABI 0

/*
 The call did what it says.
 */
#define TICKSEAM_OK 0

/*
 A pointer that must not be null is null.
 */
#define TICKSEAM_ERROR_NULL -1

/*
 A pointer is not aligned as its type has to be.
 */
#define TICKSEAM_ERROR_MISALIGNED -2

/*
 Memory that was lent is too short.
 */
#define TICKSEAM_ERROR_SHORT_MEMORY -3

/*
 `struct_size` is not the size of the struct.
 */
#define TICKSEAM_ERROR_STRUCT_SIZE -4

/*
 The memory holds no session: it was never initialised, or was overwritten.
 */
#define TICKSEAM_ERROR_NO_SESSION -5

/*
 A value is out of its range, not a number, or infinite.
 */
#define TICKSEAM_ERROR_VALUE -6

/*
 No such stream, none at all, or more than `TICKSEAM_STREAMS_MAX`.
 */
#define TICKSEAM_ERROR_STREAM -7

/*
 Nothing is known yet: no packet of the reference stream has found its place. Of an event: or the host's clock was set so often since
 that what was known then is forgotten.
 */
#define TICKSEAM_ERROR_NOT_YET -8

/*
 There is no further one.
 */
#define TICKSEAM_ERROR_NO_MORE -9

/*
 These bytes are no saved session.
 */
#define TICKSEAM_ERROR_NOT_SAVED -10

/*
 The session was saved by another build of the library.
 */
#define TICKSEAM_ERROR_OTHER_BUILD -11

/*
 The saved session was altered since.
 */
#define TICKSEAM_ERROR_ALTERED -12

/*
 The successor of the newest packet, or the first of its stream.
 */
#define TICKSEAM_IN_ORDER 0

/*
 Older than the newest packet; used.
 */
#define TICKSEAM_LATE 1

/*
 Already received: keep the earlier one.
 */
#define TICKSEAM_DUPLICATE 2

/*
 Used; `missing_count` packets from `missing_from` on are missing.
 */
#define TICKSEAM_OPENS_GAP 3

/*
 Older than the newest packet; used; the last one that was missing in its gap.
 */
#define TICKSEAM_CLOSES_GAP 4

/*
 After an ambiguous silence the count goes on, `settled` packets before this one included.
 */
#define TICKSEAM_RESUMES 5

/*
 The device's counters restarted: a new segment begins with this packet or with the `settled` ones before it.
 */
#define TICKSEAM_NEW_SEGMENT 6

/*
 The stream's first packet in a segment that another stream opened.
 */
#define TICKSEAM_JOINS_SEGMENT 7

/*
 Several numbers of turns of the counters fit: the packet waits for its place.
 */
#define TICKSEAM_AMBIGUOUS 8

/*
 The counters fit nothing known, a corrupt stamp or the first packet after a restart: the packet waits for its place.
 */
#define TICKSEAM_QUARANTINED 9

/*
 Refused, for the reason in `refusal`: nothing has changed but a counter.
 */
#define TICKSEAM_REJECTED 10

/*
 Not refused.
 */
#define TICKSEAM_REFUSAL_NONE 0

/*
 No such stream was configured.
 */
#define TICKSEAM_REFUSAL_UNKNOWN_STREAM 1

/*
 The sequence number does not fit its width.
 */
#define TICKSEAM_REFUSAL_SEQUENCE 2

/*
 The tick does not fit its width.
 */
#define TICKSEAM_REFUSAL_TICK 3

/*
 The packet holds no sample.
 */
#define TICKSEAM_REFUSAL_NO_SAMPLES 4

/*
 The host stamp is more than 146 years from the origin of its clock.
 */
#define TICKSEAM_REFUSAL_HOST 5

/*
 Older than the reorder window.
 */
#define TICKSEAM_REFUSAL_TOO_OLD 6

/*
 The position does not fit 64 bits.
 */
#define TICKSEAM_REFUSAL_OVERFLOW 7

/*
 What the link's delays leave open of the clock, within the observed stretch.
 */
#define TICKSEAM_LINE_LINK 0

/*
 What the age of the last observation adds to it (holdover, ITU-T G.810), and what is open while the host's clock may have been
 set: no observation tells by which clock the event was stamped.
 */
#define TICKSEAM_LINE_HOLDOVER 1

/*
 The link's fixed delay.
 */
#define TICKSEAM_LINE_FIXED_DELAY 2

/*
 The steps of host stamps and device ticks.
 */
#define TICKSEAM_LINE_RESOLUTION 3

/*
 From the event's stamp to the physical event.
 */
#define TICKSEAM_LINE_LATENCY 4

/*
 Of `TICKSEAM_LINE_LINK`: what the scatter of delays, exchanges and markers leaves open.
 */
#define TICKSEAM_LINE_STATISTICS 5

/*
 Of `TICKSEAM_LINE_LINK`: what the link's grid leaves open, one that does not show included.
 */
#define TICKSEAM_LINE_LATTICE 6

/*
 Of `TICKSEAM_LINE_LINK`: what the crystal's wander between the bounds leaves open.
 */
#define TICKSEAM_LINE_CURVATURE 7

/*
 Lines of a budget: they run from 0 to this, less one. The last three add up to `TICKSEAM_LINE_LINK`.
 */
#define TICKSEAM_LINES 8

/*
 Of an event: its samples came, as far as is known.
 */
#define TICKSEAM_PLACED 0

/*
 Its time is known, the samples there were lost.
 */
#define TICKSEAM_IN_GAP 1

/*
 It lies before the first or after the last sample of its segment.
 */
#define TICKSEAM_OUTSIDE 2

/*
 Nothing can be placed yet.
 */
#define TICKSEAM_KNOWS_NOTHING 0

/*
 The first packets: bounded by the declared tolerance and the usual delays only. Tell the user to wait some seconds.
 */
#define TICKSEAM_COLD 1

/*
 Blocks of arrivals bound the clock.
 */
#define TICKSEAM_TRACKING 2

/*
 The exchange or marker bounds the clock.
 */
#define TICKSEAM_SIGHTING_USED 0

/*
 Refused: the device's ticks are not configured.
 */
#define TICKSEAM_SIGHTING_NO_TICKS 1

/*
 Refused: no packet of the reference stream has found its place yet.
 */
#define TICKSEAM_SIGHTING_TOO_EARLY 2

/*
 Refused: a tick does not fit its width, or lies more than 2 s from where the arrivals expect it; or a stamp may be of before the
 host's clock was set.
 */
#define TICKSEAM_SIGHTING_FAR_OFF 3

/*
 Refused: the reply came before the request, on either clock.
 */
#define TICKSEAM_SIGHTING_BACKWARDS 4

/*
 Streams that one session has room for.
 */
#define TICKSEAM_STREAMS_MAX 4

/*
 A live session, to be used through its functions only. It lives in the caller's memory and there is nothing to free. Copying
 all of that memory to other aligned memory copies the session; the copy is used by the address of the copy.
 */
typedef struct tickseam_session tickseam_session;

/*
 A clock map: host time = host origin + device time + residual, where the residual is `offset_us + rate_ppm * (device time -
 at_s)`. Plain data: copy it, keep it, read it on any thread; it does not change while the session goes on.
 */
typedef struct tickseam_map {
  /*
   `sizeof(tickseam_map)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   Segment of the timeline.
   */
  uint32_t segment;
  /*
   Device count at the timeline's zero: ticks, or samples without ticks.
   */
  int64_t device_origin;
  /*
   Nominal counts per second, above 0.
   */
  double counts_per_s;
  /*
   Host time at the origin, ns.
   */
  int64_t host_origin_ns;
  /*
   Device time at which the map is centred, s.
   */
  double at_s;
  /*
   Residual there, us.
   */
  double offset_us;
  /*
   Host seconds gained per device second, ppm: the drift, positive where the headset's clock runs fast, is its negative.
   */
  double rate_ppm;
  /*
   Standard uncertainty of the residual at `at_s`, us.
   */
  double u_offset_us;
  /*
   Standard uncertainty of the rate, ppm.
   */
  double u_rate_ppm;
  /*
   Covariance of residual and rate, us ppm.
   */
  double covariance;
  /*
   Half-width of the 95 % interval of the residual at `at_s`, us.
   */
  double half_width_us;
  /*
   By how much it grows for each second away from `at_s`, us/s.
   */
  double growth_ppm;
  /*
   By how fast the rate may change, ppm/s.
   */
  double curvature_ppm_per_s;
  /*
   First device time that observations stand behind, s.
   */
  double valid_from_s;
  /*
   Last one, s; outside the map is in holdover.
   */
  double valid_to_s;
} tickseam_map;

/*
 An instant of the host's clock.
 */
typedef struct tickseam_host_instant {
  /*
   Host time, ns.
   */
  int64_t host_ns;
  /*
   Standard uncertainty, us.
   */
  double u_us;
  /*
   Half-width of the 95 % interval, us.
   */
  double u95_us;
} tickseam_host_instant;

/*
 An instant of a device's timeline.
 */
typedef struct tickseam_device_instant {
  /*
   Time on the timeline, s.
   */
  double device_s;
  /*
   Standard uncertainty, us of device time.
   */
  double u_us;
  /*
   Half-width of the 95 % interval, us of device time.
   */
  double u95_us;
} tickseam_device_instant;

/*
 One stream of packets.
 */
typedef struct tickseam_stream {
  /*
   Nominal sample rate, Hz, above 0.
   */
  double rate_hz;
  /*
   Nominal samples in one packet, at least 1; one packet lasts 1 us to 1000 s.
   */
  uint32_t samples_per_packet;
  /*
   The sequence number wraps at 2^sequence_bits; 2 to 64.
   */
  uint32_t sequence_bits;
} tickseam_stream;

/*
 What is known of the device before the first packet. Set all bytes to 0, then what is known.
 */
typedef struct tickseam_config {
  /*
   `sizeof(tickseam_config)`.
   */
  uint32_t struct_size;
  /*
   The device's tick counter wraps at 2^tick_bits; 16 to 64; 0 where packets carry no tick: then the sample count is the
   clock, ticks are not looked at, and exchanges and markers are refused.
   */
  uint32_t tick_bits;
  /*
   Nominal rate of the tick counter, Hz, 0.001 to 1e12; 0 without one.
   */
  double tick_hz;
  /*
   Tolerance of the device's crystal, ppm, 0 to 99980. Crystals of watches and radios have 20 to 50.
   */
  double tolerance_ppm;
  /*
   Step of the host's stamps, us, 0 to 1e6: 0.001 for a clock of nanoseconds.
   */
  double host_step_us;
  /*
   Smallest time from the first sample of a packet of stream 0 to its host stamp, us; positive: the stamp is later. At most
   an hour. Not looked at unless `fixed_delay_known`.
   */
  double fixed_delay_us;
  /*
   Its standard uncertainty, us, 0 or more.
   */
  double fixed_delay_u_us;
  /*
   Connection interval, us, 100 to 1e7; 0 where it is not known: it is looked for.
   */
  double interval_us;
  /*
   1 if the fixed delay is known, else 0: then placements are late by it and say so in `excludes_fixed_delay`.
   */
  uint32_t fixed_delay_known;
  /*
   Streams that are configured, 1 to `TICKSEAM_STREAMS_MAX`.
   */
  uint32_t stream_count;
  /*
   The streams; stream 0 is the reference, whose samples events are placed on.
   */
  struct tickseam_stream streams[4];
} tickseam_config;

/*
 Packets of a recording in the order of reception or within 64 places of it, one array for each field, all of `count` elements.
 */
typedef struct tickseam_packets {
  /*
   `sizeof(tickseam_packets)`.
   */
  uint32_t struct_size;
  /*
   0.
   */
  uint32_t reserved;
  /*
   Elements in each array.
   */
  uint64_t count;
  /*
   See `tickseam_packet`.
   */
  const int64_t *host_ns;
  /*
   Null: all of stream 0.
   */
  const uint32_t *stream;
  /*
   See `tickseam_packet`.
   */
  const uint64_t *sequence;
  /*
   Null: no packet carries a tick.
   */
  const uint64_t *tick;
  /*
   0 or 1. Null: all carry a tick, if `tick` is not null.
   */
  const uint8_t *has_tick;
  /*
   Null: the nominal number.
   */
  const uint32_t *samples;
} tickseam_packets;

/*
 Exchanges and markers of a recording, in any order; each array as long as its count says, null only where that is 0.
 */
typedef struct tickseam_sightings {
  /*
   `sizeof(tickseam_sightings)`.
   */
  uint32_t struct_size;
  /*
   0.
   */
  uint32_t reserved;
  /*
   Exchanges.
   */
  uint64_t exchange_count;
  /*
   Markers.
   */
  uint64_t marker_count;
  /*
   Of each exchange: the host's clock when the request was sent, ns.
   */
  const int64_t *origin_ns;
  /*
   The device's counter when it was received.
   */
  const uint64_t *receive_tick;
  /*
   The device's counter when the reply was sent.
   */
  const uint64_t *transmit_tick;
  /*
   The host's clock when it was received, ns.
   */
  const int64_t *destination_ns;
  /*
   Of each marker, an instant that both clocks saw: the host's clock, ns.
   */
  const int64_t *marker_host_ns;
  /*
   The device's counter.
   */
  const uint64_t *marker_tick;
} tickseam_sightings;

/*
 Events to be placed, one array for each field, all of `count` elements.
 */
typedef struct tickseam_events {
  /*
   `sizeof(tickseam_events)`.
   */
  uint32_t struct_size;
  /*
   0.
   */
  uint32_t reserved;
  /*
   Elements in each array.
   */
  uint64_t count;
  /*
   The host's clock at each event's stamp, ns.
   */
  const int64_t *host_ns;
  /*
   From the stamp to the physical event, us. Null: 0.
   */
  const double *latency_us;
  /*
   Its standard uncertainty, us. Null: 0.
   */
  const double *latency_u_us;
  /*
   Null.
   */
  const double *reserved_pointer;
} tickseam_events;

/*
 Where an event fell, and how surely.
 */
typedef struct tickseam_placement {
  /*
   `sizeof(tickseam_placement)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   Segment on whose timeline it fell.
   */
  uint32_t segment;
  /*
   Time on the timeline of that segment, s at the nominal rate since the first sample of its first packet of stream 0.
   */
  double device_s;
  /*
   The same in samples of stream 0, with a fraction.
   */
  double sample;
  /*
   Standard uncertainty, us.
   */
  double u_us;
  /*
   Half-width of the 95 % interval, us. Let the clock's part be `TICKSEAM_LINE_LINK` plus `TICKSEAM_LINE_HOLDOVER`, and the rest be the
   root of the sum of squares of the lines from `TICKSEAM_LINE_FIXED_DELAY` to `TICKSEAM_LINE_LATENCY`. From a session it is their sum,
   since a live clock may lie at the very edge of its bounds; replayed, the root of the sum of their squares.
   */
  double u95_us;
  /*
   Half-widths of 95 %, us: see `TICKSEAM_LINE_LINK`.
   */
  double link_us;
  /*
   See `TICKSEAM_LINE_HOLDOVER`.
   */
  double holdover_us;
  /*
   See `TICKSEAM_LINE_FIXED_DELAY`.
   */
  double fixed_delay_us;
  /*
   See `TICKSEAM_LINE_RESOLUTION`.
   */
  double resolution_us;
  /*
   See `TICKSEAM_LINE_LATENCY`.
   */
  double latency_us;
  /*
   The three parts of `link_us`, which add up to it: see `TICKSEAM_LINE_STATISTICS`.
   */
  double statistics_us;
  /*
   See `TICKSEAM_LINE_LATTICE`.
   */
  double lattice_us;
  /*
   See `TICKSEAM_LINE_CURVATURE`.
   */
  double curvature_us;
  /*
   1 if nobody knows the fixed delay: the event is placed late by it, and `u95_us` does not count it.
   */
  uint32_t excludes_fixed_delay;
  /*
   `TICKSEAM_PLACED`; of a replay also `TICKSEAM_IN_GAP` or `TICKSEAM_OUTSIDE`.
   */
  int32_t status;
} tickseam_placement;

/*
 What a replay found on its way.
 */
typedef struct tickseam_replay_report {
  /*
   `sizeof(tickseam_replay_report)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   Segments that events were placed on, at least 1.
   */
  uint32_t segments;
  /*
   Packets that have a place of their own.
   */
  uint64_t used;
  /*
   Packets that were refused or never got a place.
   */
  uint64_t rejected;
  /*
   Stamps that were nonsense and were not used for the clock.
   */
  uint64_t wild;
  /*
   Of the last segment: the grid that was believed in, us; 0 without one.
   */
  double interval_us;
  /*
   Of the last segment: times that the grid slipped by one step against the packets.
   */
  double slips;
  /*
   Of the last segment: 1 if the link loses so much that nothing bounds the clock from below.
   */
  uint32_t congested;
  /*
   Of the last segment: 1 if the device's rate lies outside the declared tolerance.
   */
  uint32_t off_nominal;
  /*
   Exchanges that bounded the clock: those whose ticks lie within 2 s of a segment's packets and of where these expect them.
   */
  uint64_t exchanges_used;
  /*
   Markers that did.
   */
  uint64_t markers_used;
} tickseam_replay_report;

/*
 What a received packet says of itself, and when it came.
 */
typedef struct tickseam_packet {
  /*
   The host's clock at the stamp, ns from any origin: a clock that never jumps, read as early in the callback as can be.
   */
  int64_t host_ns;
  /*
   Sequence number as sent.
   */
  uint64_t sequence;
  /*
   The device's tick at the packet's first sample, as sent. Not looked at unless `has_tick`.
   */
  uint64_t tick;
  /*
   Samples in the packet.
   */
  uint32_t samples;
  /*
   Stream, from 0.
   */
  uint32_t stream;
  /*
   1 if the packet carries a tick, else 0.
   */
  uint32_t has_tick;
  /*
   0.
   */
  uint32_t reserved;
} tickseam_packet;

/*
 What a packet did.
 */
typedef struct tickseam_answer {
  /*
   `sizeof(tickseam_answer)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   `TICKSEAM_IN_ORDER` to `TICKSEAM_REJECTED`.
   */
  int32_t disposition;
  /*
   `TICKSEAM_REFUSAL_...`: why it was rejected, if it was.
   */
  int32_t refusal;
  /*
   1 if the packet has its place: then the next three hold. For a duplicate, where the earlier one lies.
   */
  uint32_t has_place;
  /*
   Segment: 0, 1, ...; a new one begins where the device's counters restarted.
   */
  uint32_t segment;
  /*
   Earlier packets of the stream that got their place with this one.
   */
  uint32_t settled;
  /*
   Unwrapped sequence number.
   */
  int64_t index;
  /*
   Unwrapped tick at the packet's first sample; sample count for a packet without a tick.
   */
  int64_t device_count;
  /*
   Unwrapped sequence number of the first missing packet, for `TICKSEAM_OPENS_GAP` and `TICKSEAM_RESUMES`.
   */
  int64_t missing_from;
  /*
   Packets missing in a row there; else 0.
   */
  uint64_t missing_count;
} tickseam_answer;

/*
 A run of missing packets.
 */
typedef struct tickseam_gap {
  /*
   Unwrapped sequence number of the first missing packet.
   */
  int64_t first_index;
  /*
   Packets missing in a row, at least 1.
   */
  uint64_t packets;
  /*
   Samples missing at the nominal packet size.
   */
  uint64_t samples;
} tickseam_gap;

/*
 How a session stands.
 */
typedef struct tickseam_state {
  /*
   `sizeof(tickseam_state)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   `TICKSEAM_KNOWS_NOTHING`, `TICKSEAM_COLD` or `TICKSEAM_TRACKING`.
   */
  int32_t knowledge;
  /*
   The device's segment.
   */
  uint32_t segment;
  /*
   The segment that events are placed on: the same, or the one before while stream 0 has not joined.
   */
  uint32_t timeline_segment;
  /*
   Time of the newest packet of stream 0 on its timeline, s; 0 before the first.
   */
  double newest_s;
  /*
   Packets missing in each stream, over all segments; what is lost between two segments is not known.
   */
  uint64_t missing_packets[4];
} tickseam_state;

/*
 What the arrivals show of the link.
 */
typedef struct tickseam_link {
  /*
   `sizeof(tickseam_link)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   1 if the link is believed to send at the instants of a grid, declared or found: then the next three hold.
   */
  uint32_t has_interval;
  /*
   Period of the grid, us of the radio's own time.
   */
  double interval_us;
  /*
   Rate of the grid against the host's clock, ppm: positive if its periods are longer than nominal.
   */
  double interval_stretch_ppm;
  /*
   The beat, us: the longest stretch of the grid's period that no packet of a minute falls into. The shortest wait may hide as
   much. A value of several milliseconds calls for another packet period, an exchange or a marker.
   */
  double beat_us;
  /*
   1 if the device's rate lies outside the declared tolerance: look at the nominal rate.
   */
  uint32_t off_nominal;
  /*
   1 if exchanges and markers tell more than arrivals less the fixed delay.
   */
  uint32_t rests_on_sightings;
} tickseam_link;

/*
 What was counted. The first seventeen add up to the packets observed.
 */
typedef struct tickseam_counters {
  /*
   `sizeof(tickseam_counters)`, filled in by the caller.
   */
  uint32_t struct_size;
  /*
   0.
   */
  uint32_t reserved;
  /*
   `TICKSEAM_IN_ORDER`.
   */
  uint64_t in_order;
  /*
   `TICKSEAM_LATE`.
   */
  uint64_t late;
  /*
   `TICKSEAM_DUPLICATE`.
   */
  uint64_t duplicate;
  /*
   `TICKSEAM_OPENS_GAP`.
   */
  uint64_t opens_gap;
  /*
   `TICKSEAM_CLOSES_GAP`.
   */
  uint64_t closes_gap;
  /*
   `TICKSEAM_RESUMES`.
   */
  uint64_t resumes;
  /*
   `TICKSEAM_NEW_SEGMENT`.
   */
  uint64_t new_segment;
  /*
   `TICKSEAM_JOINS_SEGMENT`.
   */
  uint64_t joins_segment;
  /*
   `TICKSEAM_AMBIGUOUS`.
   */
  uint64_t ambiguous;
  /*
   `TICKSEAM_QUARANTINED`.
   */
  uint64_t quarantined;
  /*
   `TICKSEAM_REFUSAL_UNKNOWN_STREAM`.
   */
  uint64_t unknown_stream;
  /*
   `TICKSEAM_REFUSAL_SEQUENCE`.
   */
  uint64_t sequence_out_of_range;
  /*
   `TICKSEAM_REFUSAL_TICK`.
   */
  uint64_t tick_out_of_range;
  /*
   `TICKSEAM_REFUSAL_NO_SAMPLES`.
   */
  uint64_t no_samples;
  /*
   `TICKSEAM_REFUSAL_HOST`.
   */
  uint64_t host_out_of_range;
  /*
   `TICKSEAM_REFUSAL_TOO_OLD`.
   */
  uint64_t too_old;
  /*
   `TICKSEAM_REFUSAL_OVERFLOW`.
   */
  uint64_t count_overflow;
  /*
   Packets with another number of samples than their stream's nominal one.
   */
  uint64_t varying_samples;
  /*
   Packets that got their place after others had come.
   */
  uint64_t settled_later;
  /*
   Packets that waited for a place and never got one.
   */
  uint64_t never_settled;
  /*
   Packets that waited longer than there is room for: counted as missing, and not used for the clock.
   */
  uint64_t forgotten;
  /*
   Stamps that were nonsense and were not used for the clock.
   */
  uint64_t wild;
  /*
   Exchanges used.
   */
  uint64_t exchanges_used;
  /*
   Exchanges refused.
   */
  uint64_t exchanges_refused;
  /*
   Markers used.
   */
  uint64_t markers_used;
  /*
   Markers refused.
   */
  uint64_t markers_refused;
} tickseam_counters;

/*
 Memory for one session: declare one where you like (static, in an object, on a heap of your own) and hand it to
 `tickseam_session_init`.
 */
typedef struct tickseam_session_memory {
  /*
   Nothing to read.
   */
  uint64_t words[2112];
} tickseam_session_memory;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

/*
 Host time of a device time, s on the map's timeline; any finite one: outside the map's stretch the uncertainty grows.
 Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map, or a time that is not finite). Any thread; constant time.

 */
int32_t tickseam_map_host_at(const struct tickseam_map *map,
                             double device_s,
                             struct tickseam_host_instant *instant);

/*
 Device time of a host time, ns. Add half a step of the host's stamps for an event that was stamped by rounding down.
 Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread; constant time.

 */
int32_t tickseam_map_device_at(const struct tickseam_map *map,
                               int64_t host_ns,
                               struct tickseam_device_instant *instant);

/*
 By how much the device's clock runs fast against the host's, ppm: positive drift = the headset's clock runs fast against
 the phone's. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread; constant time.

 */
int32_t tickseam_map_drift(const struct tickseam_map *map,
                           double *drift_ppm);

/*
 The map the other way: its device is this map's host, counted in nanoseconds; its host time is this map's device time, ns since
 the timeline's zero. `inverted` may be the same as `map`. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread;
 constant time.

 */
int32_t tickseam_map_invert(const struct tickseam_map *map,
                            struct tickseam_map *inverted);

/*
 One map after the other: from the device of `map` to the host of `onward`, whose device is the host of `map`, counted in
 nanoseconds (headset to phone, phone to server). Half-widths add, standard uncertainties as if independent. `chained` may be
 the same as either. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (a map). Any thread; constant time.

 */
int32_t tickseam_map_chain(const struct tickseam_map *map,
                           const struct tickseam_map *onward,
                           struct tickseam_map *chained);

/*
 Scratch memory that `tickseam_replay` needs for the same arguments, bytes, aligned to `TICKSEAM_SCRATCH_ALIGN`: about 100 for
 each packet and each exchange, 150 for each event, and some 128 KiB; of several streams, 360 more for each second and 70 KiB. `sightings`
 may be null.
 Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE. Any thread; reads the host stamps once.

 */
int32_t tickseam_replay_scratch(const struct tickseam_config *config,
                                const struct tickseam_packets *packets,
                                const struct tickseam_sightings *sightings,
                                const struct tickseam_events *events,
                                size_t *scratch_size);

/*
 Replays a whole recording and places its events, looking ahead as a live session cannot. `sightings`, which may be null, are
 exchanges and markers. `placements` has as many elements as there are events; the caller fills in `struct_size` of the first one.
 Each event belongs to the newest segment with packets of stream 0 before and after it; without one, to the newest that had begun when it
 happened, or to the first one; `status` says whether the samples there came. Where packets carry ticks, those of the other streams bound
 the clock too. The timeline begins at the first sample of the
 segment's earliest packet, and counts samples where ticks say no more than these do. The answers are those of the command
 `tickseam replay`, bit for bit, but for recordings in which the host's clock was set or slept, or the device's tick jumped: these are
 not looked for, and a sleep may open a segment. The same input gives the same bits everywhere.
 Errors: NULL, MISALIGNED, STRUCT_SIZE, STREAM, VALUE, SHORT_MEMORY (lend twice as much where device times run back and forth),
 NOT_YET (no packet of stream 0 found its place). Any thread, as long as nobody else uses the same scratch memory; about 1 us a packet.

 */
int32_t tickseam_replay(const struct tickseam_config *config,
                        const struct tickseam_packets *packets,
                        const struct tickseam_sightings *sightings,
                        const struct tickseam_events *events,
                        void *scratch,
                        size_t scratch_size,
                        struct tickseam_placement *placements,
                        struct tickseam_replay_report *report);

/*
 `TICKSEAM_SESSION_SIZE` of the library that is linked: compare before use where it is shared. Any thread; constant time.
 */
size_t tickseam_session_size(void);

/*
 `TICKSEAM_SESSION_ALIGN` of the library that is linked. Any thread; constant time.
 */
size_t tickseam_session_align(void);

/*
 `TICKSEAM_SAVED_SIZE` of the library that is linked. Any thread; constant time.
 */
size_t tickseam_saved_size(void);

/*
 Begins a session in the caller's memory, at least `TICKSEAM_SESSION_SIZE` bytes aligned to `TICKSEAM_SESSION_ALIGN`; it must stay
 there, untouched, while the session is used. Whatever was there is overwritten: to begin again, call it again. Nothing is to be
 freed. `session` gets the handle.
 Errors: NULL, MISALIGNED, SHORT_MEMORY, STRUCT_SIZE, STREAM, VALUE; on any of them the memory is as it was. Any thread; about
 1 us; 40 KiB of stack.

 */
int32_t tickseam_session_init(void *memory,
                              size_t memory_size,
                              const struct tickseam_config *config,
                              struct tickseam_session **session);

/*
 Takes a received packet, in the order of reception, from the radio's callback; host stamps need not ascend. A packet that cannot
 be used is no error: `answer` says what it did, and a counter moves. Every call with status 0 counts.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE (of `answer`), VALUE (`has_tick` is not 0 or 1, `reserved` is not 0); on any
 of them nothing has changed. The session's thread; 0.2 us on average, up to 100 us for the packet that closes a block, about one in
 fifty; 12 KiB of stack.

 */
int32_t tickseam_session_observe_packet(struct tickseam_session *session,
                                        const struct tickseam_packet *packet,
                                        struct tickseam_answer *answer);

/*
 Takes an exchange of time stamps (T1 to T4 of RFC 5905), when its reply has come: the request sent at host time `origin_ns`,
 received at the device's tick `receive_tick`; the reply sent at `transmit_tick`, received at host time `destination_ns`. It
 bounds the clock from both sides and needs no fixed delay. `sighted` gets `TICKSEAM_SIGHTING_...`.
 Errors: NULL, MISALIGNED, NO_SESSION. The session's thread; some us.

 */
int32_t tickseam_session_observe_exchange(struct tickseam_session *session,
                                          int64_t origin_ns,
                                          uint64_t receive_tick,
                                          uint64_t transmit_tick,
                                          int64_t destination_ns,
                                          int32_t *sighted);

/*
 Takes a marker: an instant that the host stamped `host_ns` and the device saw at tick `tick`, as a light sensor on the screen
 does; believed to within 2 ms. `sighted` gets `TICKSEAM_SIGHTING_...`.
 Errors: NULL, MISALIGNED, NO_SESSION. The session's thread; some us.

 */
int32_t tickseam_session_observe_marker(struct tickseam_session *session,
                                        int64_t host_ns,
                                        uint64_t tick,
                                        int32_t *sighted);

/*
 Places an event that the host stamped `host_ns` and whose physical instant was `latency_us` later (negative: earlier), with
 standard uncertainty `latency_u_us`. Both in us, within an hour; 0 and 0 for an event stamped when it happened. May be asked again
 later, when more is known. An event from before the running segment is placed on the one before it, one from before the host's clock was
 set by what was known before.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE, VALUE (latency), NOT_YET. The session's thread; some us.

 */
int32_t tickseam_session_place(const struct tickseam_session *session,
                               int64_t host_ns,
                               double latency_us,
                               double latency_u_us,
                               struct tickseam_placement *placement);

/*
 Host time of a time on the running segment's timeline, s, by the clock that the host had then: the way back from a placement.
 Errors: NULL, MISALIGNED, NO_SESSION, VALUE (a time that is not finite), NOT_YET. The session's thread; some us.

 */
int32_t tickseam_session_host_at(const struct tickseam_session *session,
                                 double device_s,
                                 struct tickseam_host_instant *instant);

/*
 A clock map of the running segment's timeline as it is known now, of the host's present clock: valid from where that was last set.
 Hand it to other threads by value.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE, NOT_YET. The session's thread; some us.

 */
int32_t tickseam_session_map(const struct tickseam_session *session,
                             struct tickseam_map *map);

/*
 The first run of missing packets of a stream, in its present segment, that ends at or after unwrapped sequence number
 `from_index`. Start with `INT64_MIN`; ask again from `first_index + packets`. Late packets may still close it. Some 32 runs are
 listed for each stream, the newest ones; `tickseam_session_state` counts all.
 Errors: NULL, MISALIGNED, NO_SESSION, STREAM, NO_MORE. The session's thread; below 1 us.

 */
int32_t tickseam_session_next_gap(const struct tickseam_session *session,
                                  uint32_t stream,
                                  int64_t from_index,
                                  struct tickseam_gap *gap);

/*
 How the session stands: how much is known, segment, newest packet, what is missing.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; below 1 us.

 */
int32_t tickseam_session_state(const struct tickseam_session *session, struct tickseam_state *state);

/*
 What the arrivals show of the link: its grid and the beat.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; some us, at the worst as many steps as packets a minute.

 */
int32_t tickseam_session_link(const struct tickseam_session *session,
                              struct tickseam_link *link);

/*
 What was counted since the session began.
 Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; below 1 us.

 */
int32_t tickseam_session_counters(const struct tickseam_session *session, struct tickseam_counters *counters);

/*
 One line of a placement's budget, half-width of 95 % in us: `line` from 0 to `TICKSEAM_LINES` less 1; `tickseam_line_text` names
 it. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (no such line). Any thread; constant time.

 */
int32_t tickseam_placement_line(const struct tickseam_placement *placement,
                                int32_t line,
                                double *half_width_us);

/*
 Saves the whole session to at least `TICKSEAM_SAVED_SIZE` bytes of any alignment, to go on later as if nothing had been between,
 to the same bits. `written` gets the bytes used. The bytes are of use to the same build of the library only. Padding of the state is
 saved as it lies: a memory checker may call it uninitialised.
 Errors: NULL, MISALIGNED, NO_SESSION, SHORT_MEMORY. The session's thread; some us.

 */
int32_t tickseam_session_save(const struct tickseam_session *session,
                              void *saved,
                              size_t saved_size,
                              size_t *written);

/*
 Puts a saved session into memory, as `tickseam_session_init` begins one.

 What is checked: that the bytes were written by `tickseam_session_save` of a library of the same version, compiler and target (mark,
 length, and a sum of these three), and by a sum over all of them that none was altered since by accident. What is not: whether somebody
 who altered them made the sum fit again. Use saved bytes with the very library that wrote them, and keep them where nobody else writes:
 forged bytes are as dangerous as any other memory of the program that was overwritten.
 Errors: NULL, MISALIGNED, SHORT_MEMORY, NOT_SAVED, OTHER_BUILD, ALTERED; on any of them the memory is as it was. Any thread; some us.

 */
int32_t tickseam_session_restore(void *memory,
                                 size_t memory_size,
                                 const void *saved,
                                 size_t saved_size,
                                 struct tickseam_session **session);

/*
 The binary interface that the library was built with: compare with `TICKSEAM_ABI`. Any thread; constant time.
 */
int32_t tickseam_abi(void);

/*
 Words for a status, for logs. Any integer has some. Never null, never to be freed, lives as long as the library. Any
 thread; constant time.
 */
const char *tickseam_status_text(int32_t status);

/*
 Words for a disposition; any integer has some. Never null, never to be freed. Any thread; constant time.
 */
const char *tickseam_disposition_text(int32_t disposition);

/*
 Words for a line of the uncertainty budget; any integer has some. Never null, never to be freed. Any thread; constant
 time.
 */
const char *tickseam_line_text(int32_t line);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* TICKSEAM_H */

/* The layout that the library was built with. */
#if defined(__cplusplus) && __cplusplus >= 201103L
#define TICKSEAM_LAYOUT(name, condition) static_assert(condition, name)
#elif defined(__STDC_VERSION__) && __STDC_VERSION__ >= 201112L
#define TICKSEAM_LAYOUT(name, condition) _Static_assert(condition, name)
#else
#define TICKSEAM_LAYOUT(name, condition) struct tickseam_layout_is_checked
#endif
TICKSEAM_LAYOUT("memory", sizeof(tickseam_session_memory) == TICKSEAM_SESSION_SIZE);
TICKSEAM_LAYOUT("stream", sizeof(tickseam_stream) == 16);
TICKSEAM_LAYOUT("config", sizeof(tickseam_config) == 128 && offsetof(tickseam_config, streams) == 64);
TICKSEAM_LAYOUT("packet", sizeof(tickseam_packet) == 40 && offsetof(tickseam_packet, reserved) == 36);
TICKSEAM_LAYOUT("answer", sizeof(tickseam_answer) == 56 && offsetof(tickseam_answer, missing_count) == 48);
TICKSEAM_LAYOUT("placement", sizeof(tickseam_placement) == 112 && offsetof(tickseam_placement, status) == 108);
TICKSEAM_LAYOUT("host instant", sizeof(tickseam_host_instant) == 24);
TICKSEAM_LAYOUT("device instant", sizeof(tickseam_device_instant) == 24);
TICKSEAM_LAYOUT("map", sizeof(tickseam_map) == 120 && offsetof(tickseam_map, valid_to_s) == 112);
TICKSEAM_LAYOUT("gap", sizeof(tickseam_gap) == 24);
TICKSEAM_LAYOUT("state", sizeof(tickseam_state) == 56 && offsetof(tickseam_state, missing_packets) == 24);
TICKSEAM_LAYOUT("link", sizeof(tickseam_link) == 40 && offsetof(tickseam_link, rests_on_sightings) == 36);
TICKSEAM_LAYOUT("counters", sizeof(tickseam_counters) == 216 && offsetof(tickseam_counters, markers_refused) == 208);
TICKSEAM_LAYOUT("packets", sizeof(tickseam_packets) == 16 + 6 * sizeof(void *));
TICKSEAM_LAYOUT("events", sizeof(tickseam_events) == 16 + 4 * sizeof(void *));
TICKSEAM_LAYOUT("report", sizeof(tickseam_replay_report) == 72 && offsetof(tickseam_replay_report, markers_used) == 64);
#undef TICKSEAM_LAYOUT
