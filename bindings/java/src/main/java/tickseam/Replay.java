package tickseam;

import java.nio.ByteBuffer;
import java.util.ArrayList;
import java.util.Collections;
import java.util.List;
import java.util.Optional;

/** A recording replayed: where its events fell, looking ahead as a live session cannot. A value, for any thread. */
public final class Replay {
    private static final int PLACEMENT_BYTES = 112;
    private static final int REPORT_BYTES = 72;

    private final List<Placement> placements;
    private final ReplayReport report;

    private Replay(List<Placement> placements, ReplayReport report) {
        this.placements = placements;
        this.report = report;
    }

    /**
     * Replays a whole recording. Each event belongs to the newest segment that had begun when it happened, or to the first one. A host
     * clock that is set inside the recording is not looked for; exchanges and markers are not used. About 1 us a packet, and 50 to 60
     * bytes a packet of native memory while it runs; keep it off a UI thread. Any thread.
     *
     * @param config what is known of the device
     * @param packets the packets, in the order of reception
     * @param events the events
     * @return the replay; empty where no packet of stream 0 found its place
     * @throws IllegalArgumentException for a value out of its range, or device times that run back and forth beyond all bounds
     * @throws OutOfMemoryError where there is not so much memory
     */
    public static Optional<Replay> of(Config config, Packets packets, Events events) {
        int count = events.size();
        if (count > Integer.MAX_VALUE / PLACEMENT_BYTES - 1) {
            throw new IllegalArgumentException("too many events for one buffer");
        }
        ByteBuffer placed = Native.direct(Math.max(count, 1) * PLACEMENT_BYTES);
        List<ByteBuffer> columns = new ArrayList<>(packets.columns.buffers);
        columns.addAll(events.columns.buffers);
        columns.add(placed);
        long[] addresses = new long[columns.size()];
        for (int i = 0; i < addresses.length; i++) {
            addresses[i] = columns.get(i) == null ? 0 : Native.address(columns.get(i));
        }
        byte[] report = new byte[REPORT_BYTES];
        int status =
                Native.replay(
                        config.plain, columns.toArray(new ByteBuffer[0]), addresses, packets.size(), count, report);
        if (status == Native.NOT_YET) {
            return Optional.empty();
        }
        Native.check(status);
        List<Placement> placements = new ArrayList<>(count);
        for (int i = 0; i < count; i++) {
            placements.add(new Placement(placed, i * PLACEMENT_BYTES));
        }
        return Optional.of(
                new Replay(Collections.unmodifiableList(placements), new ReplayReport(Native.wrap(report), 0)));
    }

    /** {@return Where each event fell, in the order of the events; not to be modified} */
    public List<Placement> placements() {
        return placements;
    }

    /** {@return What was found on the way} */
    public ReplayReport report() {
        return report;
    }
}
