package tickseam;

import java.nio.ByteBuffer;

/**
 * Packets of a recording in the order of reception, one column for each field, all of one length. {@link #of} copies arrays; {@link #over}
 * reads direct buffers in place, which then must not change while a replay runs. For any thread.
 */
public final class Packets {
    final Columns columns;

    private Packets(Columns columns) {
        this.columns = columns;
    }

    /**
     * Packets in arrays, which are copied.
     *
     * @param hostNs host stamps, ns
     * @param stream streams, from 0; null: all of stream 0
     * @param sequence sequence numbers as sent, unsigned
     * @param tick the device's ticks at the first samples, as sent, unsigned; null: no packet carries one
     * @param hasTick whether a packet carries a tick; null: all do, if tick is not null
     * @param samples samples in each packet; null: the nominal number
     * @return the packets
     * @throws IllegalArgumentException for arrays of different lengths
     */
    public static Packets of(long[] hostNs, int[] stream, long[] sequence, long[] tick, boolean[] hasTick, int[] samples) {
        Columns columns = new Columns(hostNs.length);
        columns.add(hostNs);
        columns.add(stream);
        java.util.Objects.requireNonNull(sequence, "sequence");
        columns.add(sequence);
        columns.add(tick);
        columns.add(hasTick);
        columns.add(samples);
        return new Packets(columns);
    }

    /**
     * Packets in direct buffers in the byte order of the machine, from position to limit, read in place. Null as in {@link #of}.
     *
     * @param hostNs longs: host stamps, ns
     * @param stream ints, or null
     * @param sequence longs
     * @param tick longs, or null
     * @param hasTick bytes of 0 or 1, or null
     * @param samples ints, or null
     * @return the packets
     * @throws IllegalArgumentException for buffers of different lengths, of another byte order, or not direct
     */
    public static Packets over(
            ByteBuffer hostNs,
            ByteBuffer stream,
            ByteBuffer sequence,
            ByteBuffer tick,
            ByteBuffer hasTick,
            ByteBuffer samples) {
        Columns columns = new Columns(hostNs.remaining() / 8);
        columns.add(hostNs, 8, "hostNs");
        columns.add(stream, 4, "stream");
        java.util.Objects.requireNonNull(sequence, "sequence");
        columns.add(sequence, 8, "sequence");
        columns.add(tick, 8, "tick");
        columns.add(hasTick, 1, "hasTick");
        columns.add(samples, 4, "samples");
        return new Packets(columns);
    }

    /** {@return How many packets} */
    public int size() {
        return columns.count;
    }
}
