package tickseam;

import java.io.IOException;
import java.nio.ByteBuffer;
import java.nio.ByteOrder;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Paths;
import java.util.ArrayList;
import java.util.List;
import java.util.concurrent.ExecutorService;
import java.util.concurrent.Executors;
import java.util.concurrent.Future;

/**
 * The Java binding against what lies outside it: the rows of bindings/vectors/live.csv, which every language answers with the same bits;
 * the header's words; the true times of an invented headset. Arguments: the vector file; then "leaks" for that test alone.
 */
public final class Tests {
    private static final int PACKETS = 1000;
    private static final long TONE_NS = 20_000_000_000L;

    private Tests() {}

    /** What is tried. */
    private interface Body {
        void run() throws Exception;
    }

    private static void check(boolean condition, String sentence) {
        if (!condition) {
            throw new AssertionError("not so: " + sentence);
        }
    }

    private static void refused(Class<? extends Throwable> kind, String words, Body call) {
        try {
            call.run();
        } catch (Throwable thrown) {
            check(thrown.getClass() == kind, kind + ", but it was " + thrown);
            check(words == null || thrown.getMessage().contains(words), words + " in " + thrown);
            return;
        }
        throw new AssertionError("not refused: " + kind + " " + words);
    }

    private static Config.Builder usual() {
        return Config.builder()
                .ticks(32768.0, 32)
                .tolerancePpm(50.0)
                .hostStepUs(0.001)
                .fixedDelayUs(18_000.0, 200.0)
                .stream(250.0, 5, 16);
    }

    /** When packet n of a headset comes that sends on a grid of 15 ms; its first sample was taken at 7 s + n * 20 ms. */
    private static long stampNs(int n) {
        return 7_000_000_000L + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000L;
    }

    private static long tick(int n) {
        return n * 32768L / 50;
    }

    private static void feed(Session session, int from, int to) {
        for (int n = from; n < to; n++) {
            check(session.observe(stampNs(n), n, tick(n), 5, 0).hasPlace(), "packet " + n + " has its place");
        }
    }

    private static void sameBits(double number, String word, String where) {
        check(
                Double.doubleToRawLongBits(number) == Double.doubleToRawLongBits(Double.parseDouble(word)),
                where + ": " + Double.toHexString(number) + " is " + word);
    }

    private static void vectors(String path) throws IOException {
        Session session = null;
        int packets = 0;
        int exchanges = 0;
        int places = 0;
        int row = 0;
        for (String line : Files.readAllLines(Paths.get(path), StandardCharsets.UTF_8)) {
            row++;
            String where = path + ":" + row;
            String[] cell = line.split(",", -1);
            if (line.startsWith("#")) {
                continue;
            }
            switch (cell[0]) {
                case "config":
                    check(cell.length == 11, where);
                    session =
                            new Session(
                                    Config.builder()
                                            .ticks(Double.parseDouble(cell[1]), Integer.parseInt(cell[2]))
                                            .tolerancePpm(Double.parseDouble(cell[3]))
                                            .hostStepUs(Double.parseDouble(cell[4]))
                                            .fixedDelayUs(Double.parseDouble(cell[5]), Double.parseDouble(cell[6]))
                                            .intervalUs(Double.parseDouble(cell[7]))
                                            .stream(
                                                    Double.parseDouble(cell[8]),
                                                    Integer.parseInt(cell[9]),
                                                    Integer.parseInt(cell[10]))
                                            .build());
                    break;
                case "packet":
                    check(cell.length == 6, where);
                    Answer answer =
                            session.observe(
                                    Long.parseLong(cell[1]),
                                    Long.parseUnsignedLong(cell[2]),
                                    Long.parseUnsignedLong(cell[3]),
                                    Integer.parseInt(cell[4]),
                                    0);
                    check(answer.dispositionCode() == Integer.parseInt(cell[5]), where + ": the disposition");
                    check(answer.disposition().code() == answer.dispositionCode(), where + ": its constant");
                    packets++;
                    break;
                case "exchange":
                    check(cell.length == 6, where);
                    Sighting sighted =
                            session.observeExchange(
                                    Long.parseLong(cell[1]),
                                    Long.parseUnsignedLong(cell[2]),
                                    Long.parseUnsignedLong(cell[3]),
                                    Long.parseLong(cell[4]));
                    check(sighted.code() == Integer.parseInt(cell[5]), where + ": the sighting");
                    exchanges++;
                    break;
                case "place":
                    check(cell.length == 12, where);
                    Placement placed =
                            session.place(
                                            Long.parseLong(cell[1]),
                                            Double.parseDouble(cell[2]),
                                            Double.parseDouble(cell[3]))
                                    .get();
                    ClockMap map = session.map().get();
                    check(placed.segment() == Integer.parseInt(cell[4]), where + ": the segment");
                    sameBits(placed.deviceS(), cell[5], where);
                    sameBits(placed.uUs(), cell[6], where);
                    sameBits(placed.u95Us(), cell[7], where);
                    sameBits(placed.linkUs(), cell[8], where);
                    sameBits(map.offsetUs(), cell[9], where);
                    sameBits(map.ratePpm(), cell[10], where);
                    check(
                            session.hostAt(placed.deviceS()).get().hostNs() == Long.parseLong(cell[11]),
                            where + ": the way back");
                    places++;
                    break;
                default:
                    throw new AssertionError(where + ": no such row");
            }
        }
        check(packets > 2000 && exchanges > 0 && places > 50, "the file has its rows");
        System.out.println("vectors: " + packets + " packets, " + places + " placements, the same bits");
    }

    private static void argumentsThatCannotBeAreRefused() {
        Config config = usual().build();
        refused(NullPointerException.class, null, () -> new Session(null));
        refused(NullPointerException.class, "saved", () -> Session.restore(null));
        // Words of tickseam_status_text.
        String value = "a value is out of its range, not a number, or infinite";
        String stream = "no such stream, none at all, or too many";
        refused(IllegalArgumentException.class, stream, () -> new Session(Config.builder().build()));
        Config.Builder many = usual();
        for (int i = 0; i < 4; i++) {
            many.stream(50.0, 1, 8);
        }
        refused(IllegalArgumentException.class, stream, () -> new Session(many.build()));
        for (double wild : new double[] {Double.NaN, Double.POSITIVE_INFINITY, -1.0, 1e300}) {
            refused(IllegalArgumentException.class, value, () -> new Session(usual().tolerancePpm(wild).build()));
            refused(IllegalArgumentException.class, value, () -> new Session(usual().ticks(wild, 32).build()));
        }
        refused(IllegalArgumentException.class, value, () -> new Session(usual().ticks(32768.0, 65).build()));
        try (Session session = new Session(config)) {
            check(!session.place(TONE_NS).isPresent() && !session.map().isPresent(), "nothing is known yet");
            check(!session.hostAt(1.0).isPresent(), "nor the way back");
            check(session.state().knowledge() == Knowledge.NOTHING, "the state says so");
            check(session.observeMarker(8_000_000_000L, 32768) == Sighting.TOO_EARLY, "a marker is too early");
            feed(session, 0, 500);
            refused(IllegalArgumentException.class, value, () -> session.place(TONE_NS, Double.NaN, 0.0));
            refused(IllegalArgumentException.class, value, () -> session.place(TONE_NS, 0.0, -1.0));
            refused(IllegalArgumentException.class, value, () -> session.hostAt(Double.NaN));
            refused(IllegalArgumentException.class, stream, () -> session.gaps(9));
            refused(IllegalArgumentException.class, stream, () -> session.begin(Config.builder().build()));
            check(session.counters().inOrder() == 500, "a refused begin changes nothing");
            check(session.observe(stampNs(500), -1, tick(500), 5, 0).refusal() == Refusal.SEQUENCE, "2^64 - 1 is too wide");
            check(session.observe(stampNs(500), 500, -1, 5, 0).refusal() == Refusal.TICK, "so is such a tick");
            check(session.observe(stampNs(500), 500, 0, 0, 0).refusal() == Refusal.NO_SAMPLES, "no samples");
            check(session.observe(stampNs(500), 500, 0, 5, -1).refusal() == Refusal.UNKNOWN_STREAM, "no such stream");
            check(session.observe(Long.MIN_VALUE, 500, 0, 5, 0).refusal() == Refusal.HOST, "no such time");
            check(session.counters().inOrder() == 500 && session.counters().observed() == 505, "all were counted");
            check(Disposition.of(99) == Disposition.UNKNOWN && Knowledge.of(-7) == Knowledge.UNKNOWN, "later codes");
            check(Disposition.LATE.text().equals("late, used"), "the library's words");
            refused(NullPointerException.class, null, () -> session.map().get().chain(null));
        }
    }

    private static void aClosedSessionIsRefused() {
        Session session = new Session(usual().build());
        session.close();
        session.close();
        check(session.isClosed(), "it is closed");
        Class<IllegalStateException> kind = IllegalStateException.class;
        refused(kind, "closed", () -> session.observe(0, 0, 0, 5, 0));
        refused(kind, "closed", () -> session.observeWithoutTick(0, 0, 5, 0));
        refused(kind, "closed", () -> session.observe(Native.direct(40), null));
        refused(kind, "closed", () -> session.observeExchange(0, 0, 0, 0));
        refused(kind, "closed", () -> session.observeMarker(0, 0));
        refused(kind, "closed", () -> session.place(0));
        refused(kind, "closed", () -> session.hostAt(0.0));
        refused(kind, "closed", session::map);
        refused(kind, "closed", () -> session.nextGap(0, 0));
        refused(kind, "closed", session::state);
        refused(kind, "closed", session::link);
        refused(kind, "closed", session::counters);
        refused(kind, "closed", session::save);
        refused(kind, "closed", session::copy);
    }

    private static void aBatchIsItsPacketsOneByOne() {
        try (Session single = new Session(usual().build());
                Session batched = new Session(usual().build());
                Session buffered = new Session(usual().build())) {
            PacketBatch batch = new PacketBatch(7);
            ByteBuffer all = Native.direct(40 * PACKETS);
            List<Answer> answers = new ArrayList<>();
            List<Answer> ofBatch = new ArrayList<>();
            for (int n = 0; n < PACKETS; n++) {
                int sequence = n;
                if (n % 100 > 50 && n % 100 < 54) {
                    continue;
                }
                boolean hasTick = n % 5 != 2;
                answers.add(
                        hasTick
                                ? single.observe(stampNs(n), sequence, tick(n), 5, 0)
                                : single.observeWithoutTick(stampNs(n), sequence, 5, 0));
                check(
                        hasTick
                                ? batch.add(stampNs(n), sequence, tick(n), 5, 0)
                                : batch.addWithoutTick(stampNs(n), sequence, 5, 0),
                        "there is room");
                all.putLong(stampNs(n)).putLong(sequence).putLong(hasTick ? tick(n) : 0).putInt(5).putInt(0);
                all.putInt(hasTick ? 1 : 0).putInt(0);
                if (batch.size() == batch.capacity() || n == PACKETS - 1) {
                    check(batch.size() < 7 || !batch.add(0, 0, 0, 0, 0), "a full batch takes no more");
                    refused(IndexOutOfBoundsException.class, null, () -> batch.answer(0));
                    batched.observe(batch);
                    for (int i = 0; i < batch.size(); i++) {
                        ofBatch.add(batch.answer(i));
                    }
                    batch.clear();
                }
            }
            all.flip();
            check(buffered.observe(all, null) == answers.size() && !all.hasRemaining(), "all are taken");
            check(answers.equals(ofBatch), "the answers are the same");
            check(answers.stream().anyMatch(a -> a.missingCount() == 3), "some of them open gaps");
            check(single.place(TONE_NS).equals(batched.place(TONE_NS)), "so are the placements");
            check(single.place(TONE_NS).equals(buffered.place(TONE_NS)), "of buffers too");
            check(single.counters().equals(buffered.counters()), "and the counters");
        }
    }

    private static void buffersThatCannotBeAreRefused() {
        try (Session session = new Session(usual().build())) {
            Class<IllegalArgumentException> kind = IllegalArgumentException.class;
            refused(NullPointerException.class, null, () -> session.observe(null, null));
            refused(kind, "direct", () -> session.observe(Native.wrap(new byte[40]), null));
            ByteOrder other = ByteOrder.nativeOrder() == ByteOrder.BIG_ENDIAN ? ByteOrder.LITTLE_ENDIAN : ByteOrder.BIG_ENDIAN;
            refused(kind, "order", () -> session.observe(Native.direct(40).order(other), null));
            refused(kind, "whole", () -> session.observe(Native.direct(41), null));
            refused(kind, "answers: memory that was lent is too short", () -> session.observe(Native.direct(80), Native.direct(111)));
            refused(kind, "read-only", () -> session.observe(Native.direct(40), ro(Native.direct(56))));
            refused(kind, "aligned", () -> session.observe(from(Native.direct(44), 4), null));
            refused(kind, "aligned", () -> session.observe(Native.direct(40), from(Native.direct(60), 4)));
            check(session.observe(Native.direct(0), null) == 0, "none is none");
            check(session.counters().observed() == 0, "nothing was taken");
            ByteBuffer third = Native.direct(120);
            for (int n = 0; n < 3; n++) {
                third.putLong(stampNs(n)).putLong(n).putLong(tick(n)).putInt(5).putInt(0).putInt(n == 2 ? 7 : 1).putInt(0);
            }
            third.flip();
            refused(kind, "packet 2 of the batch: a value", () -> session.observe(third, null));
            check(third.position() == 80 && session.counters().observed() == 2, "those before it were taken");
            refused(kind, "capacity", () -> new PacketBatch(0));
        }
    }

    private static ByteBuffer ro(ByteBuffer of) {
        return of.asReadOnlyBuffer().order(of.order());
    }

    private static ByteBuffer from(ByteBuffer of, int position) {
        of.position(position);
        return of;
    }

    private static void copiedSavedAndRestoredGoOnWithTheSameBits() {
        try (Session session = new Session(usual().build())) {
            feed(session, 0, 500);
            byte[] saved = session.save();
            try (Session copy = session.copy();
                    Session restored = Session.restore(saved)) {
                feed(session, 500, PACKETS);
                check(copy.counters().inOrder() == 500, "a copy stays where it was");
                feed(copy, 500, PACKETS);
                feed(restored, 500, PACKETS);
                check(session.place(TONE_NS).get().equals(copy.place(TONE_NS).get()), "a copy goes on");
                check(session.place(TONE_NS).get().equals(restored.place(TONE_NS).get()), "so does a restored one");
                check(session.map().equals(restored.map()) && session.state().equals(copy.state()), "in all it says");
            }
            refused(IllegalArgumentException.class, "these bytes are no saved session", () -> Session.restore(new byte[saved.length]));
            refused(IllegalArgumentException.class, null, () -> Session.restore(new byte[0]));
            byte[] other = saved.clone();
            int refusals = 0;
            for (int i = 0; i < other.length; i++) {
                // The sum of version, compiler and target is among the first bytes.
                other[i] ^= (byte) (1 << i % 8);
                try (Session wrong = Session.restore(other)) {
                    check(wrong == null, "altered byte " + i + " is noticed");
                } catch (OtherBuildException expected) {
                    refusals++;
                } catch (IllegalArgumentException expected) {
                    check(expected.getMessage().contains("saved"), "not a session: " + expected);
                }
                other[i] = saved[i];
            }
            check(refusals > 0, "another build is told apart");
        }
    }

    private static void mapsTurnRoundAndChain() {
        try (Session session = new Session(usual().build())) {
            feed(session, 0, PACKETS);
            ClockMap map = session.map().get();
            DeviceInstant there = map.deviceAt(TONE_NS);
            check(Math.abs(there.deviceS() - 13.0) < 0.01 && there.u95Us() > 0.0, "near the truth, and not too sure");
            check(Math.abs(map.hostAt(there.deviceS()).hostNs() - TONE_NS) <= 1000, "there and back");
            check(Math.abs(map.driftPpm() + map.ratePpm()) < 0.01, "drift is the negative of the rate");
            ClockMap around = map.chain(map.invert());
            check(Math.abs(around.hostAt(10.0).hostNs() - 10_000_000_000L) <= 1000, "a map and its inverse change nothing");
            // A server 5 s ahead of the phone, known to 1 ms.
            ClockMap server = ClockMap.builder(0, 1e9, 5_000_000_000L).standard(500.0, 0.0, 0.0).interval(1000.0, 0.0, 0.0).build();
            HostInstant far = map.chain(server).hostAt(there.deviceS());
            check(Math.abs(far.hostNs() - TONE_NS - 5_000_000_000L) <= 1000, "by way of the server");
            check(Math.abs(far.u95Us() - map.hostAt(there.deviceS()).u95Us() - 1000.0) < 1.0, "half-widths add");
            refused(IllegalArgumentException.class, null, () -> map.hostAt(Double.POSITIVE_INFINITY));
            refused(IllegalArgumentException.class, null, () -> ClockMap.builder(0, 0.0, 0).build());
            refused(IllegalArgumentException.class, null, () -> ClockMap.builder(0, 1e9, 0).residual(0.0, Double.NaN, 0.0).build());
            check(map.equals(session.map().get()) && map.hashCode() == session.map().get().hashCode(), "equal maps");
            check(!map.equals(around) && map.toString().startsWith("ClockMap[segment=0, "), "others are not; in words");
        }
    }

    private static void placementsGapsAndStateTellTheTruth() {
        try (Session session = new Session(usual().build())) {
            feed(session, 0, 100);
            feed(session, 103, PACKETS);
            Placement placed = session.place(TONE_NS, 2000.0, 300.0).get();
            check(Math.abs(placed.deviceS() - 13.002) * 1e6 <= placed.u95Us(), "the interval holds the truth");
            check(placed.u95Us() < 20_000.0 && Math.abs(placed.sample() - placed.deviceS() * 250.0) < 1e-6, "in samples too");
            // The header: link and holdover added, their sum and the others in root sum of squares.
            double rest = 0.0;
            for (BudgetLine line : new BudgetLine[] {BudgetLine.FIXED_DELAY, BudgetLine.RESOLUTION, BudgetLine.LATENCY}) {
                rest += placed.lineUs(line) * placed.lineUs(line);
            }
            double clock = placed.lineUs(BudgetLine.LINK) + placed.lineUs(BudgetLine.HOLDOVER);
            double sum = Math.sqrt(clock * clock + rest);
            check(Math.abs(sum - placed.u95Us()) < 1e-6 * sum, "the lines make up the interval");
            double parts = placed.lineUs(BudgetLine.STATISTICS) + placed.lineUs(BudgetLine.LATTICE) + placed.lineUs(BudgetLine.CURVATURE);
            check(Math.abs(parts - placed.linkUs()) < 1e-9 * parts && placed.latticeUs() > 0.0, "three of them the link's");
            check(placed.lineUs(BudgetLine.LATENCY) > 500.0 && placed.lineUs(BudgetLine.LATENCY) < 700.0, "2 x 300 us");
            refused(IllegalArgumentException.class, null, () -> placed.lineUs(BudgetLine.UNKNOWN));
            check(!placed.excludesFixedDelay(), "the fixed delay is known");
            List<Gap> gaps = session.gaps(0);
            check(gaps.size() == 1 && gaps.get(0).packets() == 3 && gaps.get(0).samples() == 15, "the gap " + gaps);
            SessionState state = session.state();
            check(state.missingPackets(0) == 3 && state.missingPackets(1) == 0, "the state counts it");
            check(Math.abs(state.newestS() - 19.98) < 1e-3 && state.segment() == 0, "packet 999: " + state);
            check(session.observeMarker(26_000_000_000L, 19 * 32768) == Sighting.USED, "a marker near by is used");
            check(session.observeMarker(26_000_000_000L, 9 * 32768) == Sighting.FAR_OFF, "one far off is not");
            check(session.counters().markersUsed() == 1 && session.counters().markersRefused() == 1, "both are counted");
            check(!session.link().offNominal(), "the rate is as declared");
        }
        try (Session session = new Session(usual().intervalUs(15_000.0).build())) {
            feed(session, 0, PACKETS);
            check(session.link().hasInterval() && Math.abs(session.link().intervalUs() - 15_000.0) < 100.0, "the grid declared");
            // 20 ms and 15 ms share 5 ms.
            check(Math.abs(session.link().beatUs() - 5_000.0) < 500.0, "the beat: " + session.link());
        }
    }

    private static void aReplayOfArraysIsThatOfBuffers() {
        long[] hostNs = new long[2 * PACKETS];
        int[] stream = new int[2 * PACKETS];
        long[] sequence = new long[2 * PACKETS];
        long[] tick = new long[2 * PACKETS];
        boolean[] hasTick = new boolean[2 * PACKETS];
        int[] samples = new int[2 * PACKETS];
        ByteBuffer[] column = new ByteBuffer[6];
        int[] bytes = {8, 4, 8, 8, 1, 4};
        for (int i = 0; i < 6; i++) {
            column[i] = Native.direct(bytes[i] * 2 * PACKETS);
        }
        for (int i = 0; i < 2 * PACKETS; i++) {
            hostNs[i] = stampNs(i / 2);
            stream[i] = i % 2;
            sequence[i] = i / 2;
            tick[i] = i % 2 == 0 ? tick(i / 2) : 1L << 40;
            hasTick[i] = i % 2 == 0;
            samples[i] = i == 600 ? 0 : i % 2 == 0 ? 5 : 1;
            column[0].putLong(8 * i, hostNs[i]);
            column[1].putInt(4 * i, stream[i]);
            column[2].putLong(8 * i, sequence[i]);
            column[3].putLong(8 * i, tick[i]);
            column[4].put(i, (byte) (hasTick[i] ? 1 : 0));
            column[5].putInt(4 * i, samples[i]);
        }
        long[] eventNs = {12_000_000_000L, 17_000_000_000L};
        double[] latencyUs = {-2000.0, 1000.0};
        double[] latencyUUs = {300.0, 400.0};
        Config config = usual().stream(50.0, 1, 16).build();
        Packets arrays = Packets.of(hostNs, stream, sequence, tick, hasTick, samples);
        Events events = Events.of(eventNs, latencyUs, latencyUUs);
        Replay replay = Replay.of(config, arrays, events).get();
        check(replay.report().used() == 2 * PACKETS - 1 && replay.report().rejected() == 1, "" + replay.report());
        double[] truth = {4.998, 10.001};
        for (int i = 0; i < 2; i++) {
            Placement placed = replay.placements().get(i);
            check(Math.abs(placed.deviceS() - truth[i]) * 1e6 <= placed.u95Us() && placed.u95Us() < 6000.0, "" + placed);
        }
        Packets buffers = Packets.over(column[0], column[1], column[2], column[3], column[4], column[5]);
        Replay again = Replay.of(config, buffers, events).get();
        check(again.placements().equals(replay.placements()) && again.report().equals(replay.report()), "the same bits");
        Class<IllegalArgumentException> kind = IllegalArgumentException.class;
        refused(NullPointerException.class, "sequence", () -> Packets.of(hostNs, null, null, null, null, null));
        refused(kind, "lengths", () -> Packets.of(hostNs, null, new long[1], null, null, null));
        refused(kind, "lengths", () -> Packets.of(hostNs, null, sequence, null, new boolean[1], null));
        refused(kind, "lengths", () -> Events.of(eventNs, new double[1], null));
        refused(kind, "direct", () -> Packets.over(Native.wrap(new byte[8]), null, column[2], null, null, null));
        refused(kind, "length", () -> Packets.over(column[0], null, column[2], column[1], null, null));
        refused(kind, null, () -> Replay.of(config, arrays, Events.of(eventNs, new double[] {Double.NaN, 0.0}, null)));
        refused(kind, null, () -> Replay.of(Config.builder().build(), arrays, events));
        check(!Replay.of(config, Packets.of(new long[0], null, new long[0], null, null, null), events).isPresent(), "no packets");
        check(Replay.of(config, arrays, Events.of(new long[0], null, null)).get().placements().isEmpty(), "no events");
        Config noTicks = Config.builder().tolerancePpm(50.0).hostStepUs(0.001).stream(250.0, 5, 16).build();
        Replay plain = Replay.of(noTicks, Packets.of(hostNs, stream, sequence, null, null, null), events).get();
        check(plain.report().used() == PACKETS, "ticks left out, and the second stream unknown: " + plain.report());
        check(plain.placements().get(0).excludesFixedDelay(), "nobody knows the fixed delay");
    }

    private static void sessionsOnThreadsAndAMapAcrossThem() throws Exception {
        Placement alone;
        try (Session session = new Session(usual().build())) {
            feed(session, 0, PACKETS);
            alone = session.place(TONE_NS).get();
        }
        ExecutorService threads = Executors.newFixedThreadPool(8);
        try {
            List<Future<Placement>> placed = new ArrayList<>();
            for (int i = 0; i < 8; i++) {
                placed.add(
                        threads.submit(
                                () -> {
                                    try (Session session = new Session(usual().build())) {
                                        feed(session, 0, PACKETS);
                                        return session.place(TONE_NS).get();
                                    }
                                }));
            }
            for (Future<Placement> one : placed) {
                check(one.get().equals(alone), "each thread has the bits of one alone");
            }
            // One session: a thread observes, others take maps and read an old one, whose answers stay what they were.
            try (Session session = new Session(usual().build())) {
                feed(session, 0, 200);
                ClockMap old = session.map().get();
                DeviceInstant then = old.deviceAt(TONE_NS);
                List<Future<Integer>> readers = new ArrayList<>();
                for (int i = 0; i < 4; i++) {
                    readers.add(
                            threads.submit(
                                    () -> {
                                        int read = 0;
                                        for (; read < 2000; read++) {
                                            check(old.deviceAt(TONE_NS).equals(then), "a map does not change");
                                            check(session.map().isPresent(), "a fresh map");
                                        }
                                        return read;
                                    }));
                }
                Future<?> radio = threads.submit(() -> feed(session, 200, PACKETS));
                radio.get();
                for (Future<Integer> reader : readers) {
                    check(reader.get() == 2000, "all were read");
                }
                check(session.place(TONE_NS).get().equals(alone), "nobody disturbed the radio's thread");
            }
        } finally {
            threads.shutdown();
        }
    }

    private static void anotherBuildIsRefused() {
        check(Native.fits(Native.REVISION, Native.ABI, Native.SESSION_BYTES, Native.SAVED_BYTES), "this one fits");
        check(!Native.fits(Native.REVISION + 1, Native.ABI, Native.SESSION_BYTES, Native.SAVED_BYTES), "other functions");
        check(!Native.fits(Native.REVISION, Native.ABI + 1, Native.SESSION_BYTES, Native.SAVED_BYTES), "another ABI");
        check(!Native.fits(Native.REVISION, Native.ABI, Native.SESSION_BYTES + 8, Native.SAVED_BYTES), "another size");
        check(!Native.fits(Native.REVISION, Native.ABI, Native.SESSION_BYTES, Native.SAVED_BYTES + 8), "another size saved");
    }

    private static long residentKb() throws IOException {
        for (String line : Files.readAllLines(Paths.get("/proc/self/status"))) {
            if (line.startsWith("VmRSS:")) {
                return Long.parseLong(line.replaceAll("\\D", ""));
            }
        }
        throw new IOException("no VmRSS");
    }

    /** 100,000 sessions are 1.6 GB; every other one is not closed. And 2,000 replays, whose scratch memory is malloc's. */
    private static void leaks() throws IOException {
        Config config = usual().build();
        long[] hostNs = new long[200];
        long[] sequence = new long[200];
        long[] tick = new long[200];
        for (int n = 0; n < hostNs.length; n++) {
            hostNs[n] = stampNs(n);
            sequence[n] = n;
            tick[n] = tick(n);
        }
        long warm = 0;
        for (int i = 0; i < 120_000; i++) {
            Session session = new Session(config);
            session.observe(stampNs(0), 0, 0, 5, 0);
            if (i % 2 == 0) {
                session.close();
            }
            if (i % 60 == 0) {
                Packets packets = Packets.of(hostNs, null, sequence, tick, null, null);
                check(Replay.of(config, packets, Events.of(hostNs, null, null)).isPresent(), "a replay");
            }
            if (i == 19_999) {
                warm = residentKb();
            }
        }
        long grown = residentKb() - warm;
        System.out.println("leaks: 100,000 sessions, resident memory grown by " + grown + " KB");
        check(grown < 20_000, "memory stays bounded, but it grew by " + grown + " KB");
    }

    /**
     * Runs all tests.
     *
     * @param arguments vector file; "leaks"
     * @throws Exception where one fails
     */
    public static void main(String[] arguments) throws Exception {
        if (arguments.length == 2 && arguments[1].equals("leaks")) {
            leaks();
            return;
        }
        anotherBuildIsRefused();
        vectors(arguments[0]);
        argumentsThatCannotBeAreRefused();
        aClosedSessionIsRefused();
        aBatchIsItsPacketsOneByOne();
        buffersThatCannotBeAreRefused();
        copiedSavedAndRestoredGoOnWithTheSameBits();
        mapsTurnRoundAndChain();
        placementsGapsAndStateTellTheTruth();
        aReplayOfArraysIsThatOfBuffers();
        sessionsOnThreadsAndAMapAcrossThem();
        System.out.println("all passed");
    }
}
