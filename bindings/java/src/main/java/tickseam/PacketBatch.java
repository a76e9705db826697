package tickseam;

import java.nio.ByteBuffer;

/**
 * Packets for one call of {@link Session#observe(PacketBatch)}, and its answers. For one thread at a time; nothing is allocated after it
 * was made, except the answers that are asked for.
 *
 * <p>The layout, for who fills a buffer in native code: one packet is {@link #PACKET_BYTES} bytes in the byte order of the machine,
 * {@code tickseam_packet} of tickseam.h:
 *
 * <table>
 *   <caption>One packet</caption>
 *   <tr><th>at</th><th>type</th><th>what</th></tr>
 *   <tr><td>0</td><td>long</td><td>host stamp, ns</td></tr>
 *   <tr><td>8</td><td>long, unsigned</td><td>sequence number as sent</td></tr>
 *   <tr><td>16</td><td>long, unsigned</td><td>the device's tick at the first sample, as sent</td></tr>
 *   <tr><td>24</td><td>int, unsigned</td><td>samples</td></tr>
 *   <tr><td>28</td><td>int, unsigned</td><td>stream, from 0</td></tr>
 *   <tr><td>32</td><td>int</td><td>1 if the packet carries a tick, else 0</td></tr>
 *   <tr><td>36</td><td>int</td><td>0</td></tr>
 * </table>
 */
public final class PacketBatch {
    /** Bytes of one packet. */
    public static final int PACKET_BYTES = 40;
    /** Bytes of one answer. */
    public static final int ANSWER_BYTES = 56;

    private final int capacity;
    private final ByteBuffer packets;
    private final ByteBuffer answers;
    private int count = 0;
    private int answered = 0;

    /**
     * Makes room.
     *
     * @param capacity packets, 1 to 10,000,000
     * @throws IllegalArgumentException for another capacity
     */
    public PacketBatch(int capacity) {
        if (capacity < 1 || capacity > 10_000_000) {
            throw new IllegalArgumentException("capacity: 1 to 10,000,000 packets");
        }
        this.capacity = capacity;
        packets = Native.direct(capacity * PACKET_BYTES);
        answers = Native.direct(capacity * ANSWER_BYTES);
    }

    /**
     * Adds a packet that carries a tick.
     *
     * @param hostNs the host's clock at the stamp, ns
     * @param sequence sequence number as sent, unsigned
     * @param tick the device's tick at the packet's first sample, as sent, unsigned
     * @param samples samples in the packet
     * @param stream stream, from 0
     * @return false if the batch is full: then nothing has changed
     */
    public boolean add(long hostNs, long sequence, long tick, int samples, int stream) {
        return add(hostNs, sequence, tick, samples, stream, 1);
    }

    /**
     * Adds a packet without a tick.
     *
     * @param hostNs the host's clock at the stamp, ns
     * @param sequence sequence number as sent, unsigned
     * @param samples samples in the packet
     * @param stream stream, from 0
     * @return false if the batch is full: then nothing has changed
     */
    public boolean addWithoutTick(long hostNs, long sequence, int samples, int stream) {
        return add(hostNs, sequence, 0, samples, stream, 0);
    }

    private boolean add(long hostNs, long sequence, long tick, int samples, int stream, int hasTick) {
        if (count == capacity) {
            return false;
        }
        int at = count * PACKET_BYTES;
        packets.putLong(at, hostNs).putLong(at + 8, sequence).putLong(at + 16, tick);
        packets.putInt(at + 24, samples).putInt(at + 28, stream).putInt(at + 32, hasTick).putInt(at + 36, 0);
        count++;
        return true;
    }

    /** Forgets packets and answers. */
    public void clear() {
        count = 0;
        answered = 0;
    }

    /** {@return Packets in the batch} */
    public int size() {
        return count;
    }

    /** {@return Packets that there is room for} */
    public int capacity() {
        return capacity;
    }

    /**
     * What a packet did, after the batch was observed; until it is observed again or cleared.
     *
     * @param at packet, from 0
     * @return its answer
     * @throws IndexOutOfBoundsException if it has none
     */
    public Answer answer(int at) {
        if (at < 0 || at >= answered) {
            throw new IndexOutOfBoundsException("packet " + at + " of " + answered + " observed");
        }
        return new Answer(answers, at * ANSWER_BYTES);
    }

    /** The packets, from first to last, in a view of its own. */
    ByteBuffer packets() {
        ByteBuffer view = packets.duplicate().order(packets.order());
        view.limit(count * PACKET_BYTES);
        return view;
    }

    /** Room for the answers, in a view of its own. */
    ByteBuffer answers() {
        return answers.duplicate().order(answers.order());
    }

    void answered(int packets) {
        answered = packets;
    }
}
