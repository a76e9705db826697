/*
 * tickseam.h as the Java classes of package tickseam call it: one function here for one function there, and nothing kept between
 * calls, neither globals nor references. Java's class Native is the other side; nobody else calls this.
 *
 * A session lies in a direct buffer that Java owns. Each call gets that buffer too, only so that it stays alive meanwhile, and its
 * address. What a session answers is written behind it, at OUTPUT; Java reads it there at the offsets asserted below. Small plain
 * structs (configuration, clock map) come and go as byte arrays, copied, so that they can be used on any thread.
 */
#include "tickseam.h"

#include <jni.h>
#include <stdlib.h>
#include <string.h>

/* What Java reads and writes by offset. Another number here has to be another one in the Java class named. */
#define ASSERT_AT(type, field, at) _Static_assert(offsetof(type, field) == (at), #type "." #field)
#define ASSERT_SIZE(type, size) _Static_assert(sizeof(type) == (size), #type)

/* Config */
ASSERT_SIZE(tickseam_config, 128);
ASSERT_AT(tickseam_config, struct_size, 0);
ASSERT_AT(tickseam_config, tick_bits, 4);
ASSERT_AT(tickseam_config, tick_hz, 8);
ASSERT_AT(tickseam_config, tolerance_ppm, 16);
ASSERT_AT(tickseam_config, host_step_us, 24);
ASSERT_AT(tickseam_config, fixed_delay_us, 32);
ASSERT_AT(tickseam_config, fixed_delay_u_us, 40);
ASSERT_AT(tickseam_config, interval_us, 48);
ASSERT_AT(tickseam_config, fixed_delay_known, 56);
ASSERT_AT(tickseam_config, stream_count, 60);
ASSERT_AT(tickseam_config, streams, 64);
ASSERT_SIZE(tickseam_stream, 16);
ASSERT_AT(tickseam_stream, rate_hz, 0);
ASSERT_AT(tickseam_stream, samples_per_packet, 8);
ASSERT_AT(tickseam_stream, sequence_bits, 12);
/* PacketBatch */
ASSERT_SIZE(tickseam_packet, 40);
ASSERT_AT(tickseam_packet, host_ns, 0);
ASSERT_AT(tickseam_packet, sequence, 8);
ASSERT_AT(tickseam_packet, tick, 16);
ASSERT_AT(tickseam_packet, samples, 24);
ASSERT_AT(tickseam_packet, stream, 28);
ASSERT_AT(tickseam_packet, has_tick, 32);
ASSERT_AT(tickseam_packet, reserved, 36);
/* Answer */
ASSERT_SIZE(tickseam_answer, 56);
ASSERT_AT(tickseam_answer, disposition, 4);
ASSERT_AT(tickseam_answer, refusal, 8);
ASSERT_AT(tickseam_answer, has_place, 12);
ASSERT_AT(tickseam_answer, segment, 16);
ASSERT_AT(tickseam_answer, settled, 20);
ASSERT_AT(tickseam_answer, index, 24);
ASSERT_AT(tickseam_answer, device_count, 32);
ASSERT_AT(tickseam_answer, missing_from, 40);
ASSERT_AT(tickseam_answer, missing_count, 48);
/* Placement */
ASSERT_SIZE(tickseam_placement, 112);
ASSERT_AT(tickseam_placement, segment, 4);
ASSERT_AT(tickseam_placement, device_s, 8);
ASSERT_AT(tickseam_placement, sample, 16);
ASSERT_AT(tickseam_placement, u_us, 24);
ASSERT_AT(tickseam_placement, u95_us, 32);
ASSERT_AT(tickseam_placement, link_us, 40);
ASSERT_AT(tickseam_placement, holdover_us, 48);
ASSERT_AT(tickseam_placement, fixed_delay_us, 56);
ASSERT_AT(tickseam_placement, resolution_us, 64);
ASSERT_AT(tickseam_placement, latency_us, 72);
ASSERT_AT(tickseam_placement, statistics_us, 80);
ASSERT_AT(tickseam_placement, lattice_us, 88);
ASSERT_AT(tickseam_placement, curvature_us, 96);
ASSERT_AT(tickseam_placement, excludes_fixed_delay, 104);
/* HostInstant, DeviceInstant */
ASSERT_SIZE(tickseam_host_instant, 24);
ASSERT_AT(tickseam_host_instant, u_us, 8);
ASSERT_AT(tickseam_host_instant, u95_us, 16);
ASSERT_SIZE(tickseam_device_instant, 24);
ASSERT_AT(tickseam_device_instant, u_us, 8);
ASSERT_AT(tickseam_device_instant, u95_us, 16);
/* ClockMap */
ASSERT_SIZE(tickseam_map, 120);
ASSERT_AT(tickseam_map, struct_size, 0);
ASSERT_AT(tickseam_map, segment, 4);
ASSERT_AT(tickseam_map, device_origin, 8);
ASSERT_AT(tickseam_map, counts_per_s, 16);
ASSERT_AT(tickseam_map, host_origin_ns, 24);
ASSERT_AT(tickseam_map, at_s, 32);
ASSERT_AT(tickseam_map, offset_us, 40);
ASSERT_AT(tickseam_map, rate_ppm, 48);
ASSERT_AT(tickseam_map, u_offset_us, 56);
ASSERT_AT(tickseam_map, u_rate_ppm, 64);
ASSERT_AT(tickseam_map, covariance, 72);
ASSERT_AT(tickseam_map, half_width_us, 80);
ASSERT_AT(tickseam_map, growth_ppm, 88);
ASSERT_AT(tickseam_map, curvature_ppm_per_s, 96);
ASSERT_AT(tickseam_map, valid_from_s, 104);
ASSERT_AT(tickseam_map, valid_to_s, 112);
/* Gap */
ASSERT_SIZE(tickseam_gap, 24);
ASSERT_AT(tickseam_gap, packets, 8);
ASSERT_AT(tickseam_gap, samples, 16);
/* SessionState */
ASSERT_SIZE(tickseam_state, 56);
ASSERT_AT(tickseam_state, knowledge, 4);
ASSERT_AT(tickseam_state, segment, 8);
ASSERT_AT(tickseam_state, timeline_segment, 12);
ASSERT_AT(tickseam_state, newest_s, 16);
ASSERT_AT(tickseam_state, missing_packets, 24);
/* LinkState */
ASSERT_SIZE(tickseam_link, 40);
ASSERT_AT(tickseam_link, has_interval, 4);
ASSERT_AT(tickseam_link, interval_us, 8);
ASSERT_AT(tickseam_link, interval_stretch_ppm, 16);
ASSERT_AT(tickseam_link, beat_us, 24);
ASSERT_AT(tickseam_link, off_nominal, 32);
ASSERT_AT(tickseam_link, rests_on_sightings, 36);
/* Counters: 26 of 8 bytes from 8 on, in the header's order. */
ASSERT_SIZE(tickseam_counters, 216);
ASSERT_AT(tickseam_counters, in_order, 8);
ASSERT_AT(tickseam_counters, late, 16);
ASSERT_AT(tickseam_counters, duplicate, 24);
ASSERT_AT(tickseam_counters, opens_gap, 32);
ASSERT_AT(tickseam_counters, closes_gap, 40);
ASSERT_AT(tickseam_counters, resumes, 48);
ASSERT_AT(tickseam_counters, new_segment, 56);
ASSERT_AT(tickseam_counters, joins_segment, 64);
ASSERT_AT(tickseam_counters, ambiguous, 72);
ASSERT_AT(tickseam_counters, quarantined, 80);
ASSERT_AT(tickseam_counters, unknown_stream, 88);
ASSERT_AT(tickseam_counters, sequence_out_of_range, 96);
ASSERT_AT(tickseam_counters, tick_out_of_range, 104);
ASSERT_AT(tickseam_counters, no_samples, 112);
ASSERT_AT(tickseam_counters, host_out_of_range, 120);
ASSERT_AT(tickseam_counters, too_old, 128);
ASSERT_AT(tickseam_counters, count_overflow, 136);
ASSERT_AT(tickseam_counters, varying_samples, 144);
ASSERT_AT(tickseam_counters, settled_later, 152);
ASSERT_AT(tickseam_counters, never_settled, 160);
ASSERT_AT(tickseam_counters, forgotten, 168);
ASSERT_AT(tickseam_counters, wild, 176);
ASSERT_AT(tickseam_counters, exchanges_used, 184);
ASSERT_AT(tickseam_counters, exchanges_refused, 192);
ASSERT_AT(tickseam_counters, markers_used, 200);
ASSERT_AT(tickseam_counters, markers_refused, 208);
/* ReplayReport */
ASSERT_SIZE(tickseam_replay_report, 72);
ASSERT_AT(tickseam_replay_report, segments, 4);
ASSERT_AT(tickseam_replay_report, used, 8);
ASSERT_AT(tickseam_replay_report, rejected, 16);
ASSERT_AT(tickseam_replay_report, wild, 24);
ASSERT_AT(tickseam_replay_report, interval_us, 32);
ASSERT_AT(tickseam_replay_report, slips, 40);
ASSERT_AT(tickseam_replay_report, congested, 48);
ASSERT_AT(tickseam_replay_report, off_nominal, 52);

/* Changes with the signatures below: Java of another build is refused when it loads. */
#define JNI_REVISION 2

#define NATIVE(type, name) JNIEXPORT type JNICALL Java_tickseam_Native_##name

/* Java's `long` for an address, both ways. */
#define AT(type, address) ((type *)(uintptr_t)(address))

/* Where a session's answers go. */
#define OUTPUT(type, session) AT(type, (session) + TICKSEAM_SESSION_SIZE)

/* An output that says its own size. */
#define SIZED_OUTPUT(type, name, session)       \
    type *name = OUTPUT(type, session);         \
    memset(name, 0, sizeof *name);              \
    name->struct_size = (uint32_t)sizeof *name

static void take(JNIEnv *env, jbyteArray from, void *to, size_t size) {
    (*env)->GetByteArrayRegion(env, from, 0, (jsize)size, to);
}

static void give(JNIEnv *env, jbyteArray to, const void *from, size_t size) {
    (*env)->SetByteArrayRegion(env, to, 0, (jsize)size, from);
}

NATIVE(jboolean, fits)(JNIEnv *env, jclass of, jint revision, jint abi, jint session_size, jint saved_size) {
    (void)env, (void)of;
    return revision == JNI_REVISION && abi == TICKSEAM_ABI && tickseam_abi() == TICKSEAM_ABI &&
           session_size == TICKSEAM_SESSION_SIZE && tickseam_session_size() == TICKSEAM_SESSION_SIZE &&
           saved_size == TICKSEAM_SAVED_SIZE && tickseam_saved_size() == TICKSEAM_SAVED_SIZE &&
           tickseam_session_align() <= 8;
}

NATIVE(jlong, address)(JNIEnv *env, jclass of, jobject buffer) {
    (void)of;
    return (jlong)(uintptr_t)(*env)->GetDirectBufferAddress(env, buffer);
}

NATIVE(jstring, statusText)(JNIEnv *env, jclass of, jint code) {
    (void)of;
    return (*env)->NewStringUTF(env, tickseam_status_text(code));
}

NATIVE(jstring, dispositionText)(JNIEnv *env, jclass of, jint code) {
    (void)of;
    return (*env)->NewStringUTF(env, tickseam_disposition_text(code));
}

NATIVE(jstring, lineText)(JNIEnv *env, jclass of, jint code) {
    (void)of;
    return (*env)->NewStringUTF(env, tickseam_line_text(code));
}

NATIVE(jint, begin)(JNIEnv *env, jclass of, jobject keep, jlong session, jbyteArray known) {
    tickseam_config config;
    tickseam_session *handle = NULL;
    (void)of, (void)keep;
    take(env, known, &config, sizeof config);
    return tickseam_session_init(AT(void, session), TICKSEAM_SESSION_SIZE, &config, &handle);
}

NATIVE(jint, restore)(JNIEnv *env, jclass of, jobject keep, jlong session, jbyteArray from) {
    unsigned char saved[TICKSEAM_SAVED_SIZE];
    tickseam_session *handle = NULL;
    size_t size = (size_t)(*env)->GetArrayLength(env, from);
    (void)of, (void)keep;
    if (size > sizeof saved) size = sizeof saved;
    take(env, from, saved, size);
    return tickseam_session_restore(AT(void, session), TICKSEAM_SESSION_SIZE, saved, size, &handle);
}

/* Bytes written, or a status below 0. */
NATIVE(jint, save)(JNIEnv *env, jclass of, jobject keep, jlong session, jbyteArray to) {
    unsigned char saved[TICKSEAM_SAVED_SIZE];
    size_t written = 0;
    const int32_t status = tickseam_session_save(AT(tickseam_session, session), saved, sizeof saved, &written);
    (void)of, (void)keep;
    if (status != TICKSEAM_OK) return status;
    give(env, to, saved, written);
    return (jint)written;
}

NATIVE(jint, observe)
(JNIEnv *env, jclass of, jobject keep, jlong session, jlong host_ns, jlong sequence, jlong tick, jint samples, jint stream,
 jboolean has_tick) {
    const tickseam_packet packet = {host_ns,          (uint64_t)sequence,      (uint64_t)tick, (uint32_t)samples,
                                    (uint32_t)stream, has_tick ? 1U : 0U, 0};
    SIZED_OUTPUT(tickseam_answer, answer, session);
    (void)env, (void)of, (void)keep;
    return tickseam_session_observe_packet(AT(tickseam_session, session), &packet, answer);
}

/* Packets observed; where they are not all, OUTPUT begins with the status of the next one. */
NATIVE(jint, observeBatch)
(JNIEnv *env, jclass of, jobject keep, jlong session, jobject keep_packets, jlong packets, jint count, jobject keep_answers,
 jlong answers) {
    tickseam_answer unread;
    jint done;
    (void)env, (void)of, (void)keep, (void)keep_packets, (void)keep_answers;
    for (done = 0; done < count; done++) {
        tickseam_answer *answer = answers != 0 ? AT(tickseam_answer, answers) + done : &unread;
        int32_t status;
        if ((uintptr_t)answer % _Alignof(tickseam_answer) != 0) {
            status = TICKSEAM_ERROR_MISALIGNED;
        } else {
            memset(answer, 0, sizeof *answer);
            answer->struct_size = (uint32_t)sizeof *answer;
            status = tickseam_session_observe_packet(AT(tickseam_session, session),
                                                     AT(const tickseam_packet, packets + (jlong)sizeof(tickseam_packet) * done),
                                                     answer);
        }
        if (status != TICKSEAM_OK) {
            *OUTPUT(int32_t, session) = status;
            break;
        }
    }
    return done;
}

NATIVE(jint, exchange)
(JNIEnv *env, jclass of, jobject keep, jlong session, jlong origin_ns, jlong receive_tick, jlong transmit_tick,
 jlong destination_ns) {
    (void)env, (void)of, (void)keep;
    return tickseam_session_observe_exchange(AT(tickseam_session, session), origin_ns, (uint64_t)receive_tick,
                                             (uint64_t)transmit_tick, destination_ns, OUTPUT(int32_t, session));
}

NATIVE(jint, marker)(JNIEnv *env, jclass of, jobject keep, jlong session, jlong host_ns, jlong tick) {
    (void)env, (void)of, (void)keep;
    return tickseam_session_observe_marker(AT(tickseam_session, session), host_ns, (uint64_t)tick, OUTPUT(int32_t, session));
}

NATIVE(jint, place)
(JNIEnv *env, jclass of, jobject keep, jlong session, jlong host_ns, jdouble latency_us, jdouble latency_u_us) {
    SIZED_OUTPUT(tickseam_placement, placement, session);
    (void)env, (void)of, (void)keep;
    return tickseam_session_place(AT(tickseam_session, session), host_ns, latency_us, latency_u_us, placement);
}

NATIVE(jint, hostAt)(JNIEnv *env, jclass of, jobject keep, jlong session, jdouble device_s) {
    (void)env, (void)of, (void)keep;
    return tickseam_session_host_at(AT(tickseam_session, session), device_s, OUTPUT(tickseam_host_instant, session));
}

NATIVE(jint, map)(JNIEnv *env, jclass of, jobject keep, jlong session, jbyteArray to) {
    tickseam_map map;
    int32_t status;
    (void)of, (void)keep;
    map.struct_size = (uint32_t)sizeof map;
    status = tickseam_session_map(AT(tickseam_session, session), &map);
    if (status == TICKSEAM_OK) give(env, to, &map, sizeof map);
    return status;
}

NATIVE(jint, nextGap)(JNIEnv *env, jclass of, jobject keep, jlong session, jint stream, jlong from_index) {
    (void)env, (void)of, (void)keep;
    return tickseam_session_next_gap(AT(tickseam_session, session), (uint32_t)stream, from_index,
                                     OUTPUT(tickseam_gap, session));
}

NATIVE(jint, state)(JNIEnv *env, jclass of, jobject keep, jlong session) {
    SIZED_OUTPUT(tickseam_state, state, session);
    (void)env, (void)of, (void)keep;
    return tickseam_session_state(AT(tickseam_session, session), state);
}

NATIVE(jint, link)(JNIEnv *env, jclass of, jobject keep, jlong session) {
    SIZED_OUTPUT(tickseam_link, link, session);
    (void)env, (void)of, (void)keep;
    return tickseam_session_link(AT(tickseam_session, session), link);
}

NATIVE(jint, counters)(JNIEnv *env, jclass of, jobject keep, jlong session) {
    SIZED_OUTPUT(tickseam_counters, counters, session);
    (void)env, (void)of, (void)keep;
    return tickseam_session_counters(AT(tickseam_session, session), counters);
}

NATIVE(jint, mapHostAt)(JNIEnv *env, jclass of, jbyteArray from, jdouble device_s, jbyteArray to) {
    tickseam_map map;
    tickseam_host_instant instant;
    int32_t status;
    (void)of;
    take(env, from, &map, sizeof map);
    status = tickseam_map_host_at(&map, device_s, &instant);
    if (status == TICKSEAM_OK) give(env, to, &instant, sizeof instant);
    return status;
}

NATIVE(jint, mapDeviceAt)(JNIEnv *env, jclass of, jbyteArray from, jlong host_ns, jbyteArray to) {
    tickseam_map map;
    tickseam_device_instant instant;
    int32_t status;
    (void)of;
    take(env, from, &map, sizeof map);
    status = tickseam_map_device_at(&map, host_ns, &instant);
    if (status == TICKSEAM_OK) give(env, to, &instant, sizeof instant);
    return status;
}

NATIVE(jint, mapDrift)(JNIEnv *env, jclass of, jbyteArray from, jbyteArray to) {
    tickseam_map map;
    double drift_ppm;
    int32_t status;
    (void)of;
    take(env, from, &map, sizeof map);
    status = tickseam_map_drift(&map, &drift_ppm);
    if (status == TICKSEAM_OK) give(env, to, &drift_ppm, sizeof drift_ppm);
    return status;
}

NATIVE(jint, mapInvert)(JNIEnv *env, jclass of, jbyteArray from, jbyteArray to) {
    tickseam_map map, inverted;
    int32_t status;
    (void)of;
    take(env, from, &map, sizeof map);
    inverted.struct_size = (uint32_t)sizeof inverted;
    status = tickseam_map_invert(&map, &inverted);
    if (status == TICKSEAM_OK) give(env, to, &inverted, sizeof inverted);
    return status;
}

NATIVE(jint, mapChain)(JNIEnv *env, jclass of, jbyteArray from, jbyteArray onward_from, jbyteArray to) {
    tickseam_map map, onward, chained;
    int32_t status;
    (void)of;
    take(env, from, &map, sizeof map);
    take(env, onward_from, &onward, sizeof onward);
    chained.struct_size = (uint32_t)sizeof chained;
    status = tickseam_map_chain(&map, &onward, &chained);
    if (status == TICKSEAM_OK) give(env, to, &chained, sizeof chained);
    return status;
}

/*
 * `columns` and `addresses` are of one length: the arrays of tickseam_packets, those of tickseam_events, the placements; 0 for one that
 * is left out. Scratch memory lives as long as the call. Where it does not suffice it is doubled, as the header says, four times.
 */
NATIVE(jint, replay)
(JNIEnv *env, jclass of, jbyteArray known, jobjectArray columns, jlongArray addresses, jlong packet_count, jlong event_count,
 jbyteArray to) {
    jlong at[10];
    tickseam_config config;
    tickseam_packets packets;
    tickseam_events events;
    tickseam_replay_report report;
    size_t scratch_size = 0;
    int32_t status;
    int doubled;
    (void)of, (void)columns;
    take(env, known, &config, sizeof config);
    (*env)->GetLongArrayRegion(env, addresses, 0, 10, at);
    memset(&packets, 0, sizeof packets), memset(&events, 0, sizeof events), memset(&report, 0, sizeof report);
    packets.struct_size = (uint32_t)sizeof packets, packets.count = (uint64_t)packet_count;
    packets.host_ns = AT(const int64_t, at[0]), packets.stream = AT(const uint32_t, at[1]);
    packets.sequence = AT(const uint64_t, at[2]), packets.tick = AT(const uint64_t, at[3]);
    packets.has_tick = AT(const uint8_t, at[4]), packets.samples = AT(const uint32_t, at[5]);
    events.struct_size = (uint32_t)sizeof events, events.count = (uint64_t)event_count;
    events.host_ns = AT(const int64_t, at[6]), events.latency_us = AT(const double, at[7]);
    events.latency_u_us = AT(const double, at[8]);
    status = tickseam_replay_scratch(&config, &packets, NULL, &events, &scratch_size);
    for (doubled = 0; status == TICKSEAM_OK && doubled < 5; doubled++) {
        void *scratch = malloc(scratch_size);
        if (scratch == NULL) {
            jclass error = (*env)->FindClass(env, "java/lang/OutOfMemoryError");
            if (error != NULL) (*env)->ThrowNew(env, error, "scratch memory of a replay");
            return TICKSEAM_ERROR_SHORT_MEMORY;
        }
        report.struct_size = (uint32_t)sizeof report;
        AT(tickseam_placement, at[9])->struct_size = (uint32_t)sizeof(tickseam_placement);
        status = tickseam_replay(&config, &packets, NULL, &events, scratch, scratch_size, AT(tickseam_placement, at[9]),
                                 &report);
        free(scratch);
        if (status != TICKSEAM_ERROR_SHORT_MEMORY) break;
        if (doubled < 4) status = TICKSEAM_OK, scratch_size *= 2;
    }
    if (status == TICKSEAM_OK) give(env, to, &report, sizeof report);
    return status;
}
