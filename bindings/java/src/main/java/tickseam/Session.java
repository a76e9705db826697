package tickseam;

import java.nio.ByteBuffer;
import java.util.ArrayList;
import java.util.Collections;
import java.util.List;
import java.util.Optional;

/**
 * A live session: observes packets, places events.
 *
 * <p><b>Memory:</b> the session lies in a direct {@link ByteBuffer} of some 16.5 KiB that belongs to this object. Nothing is allocated on the
 * native side, so nothing can leak there: {@link #close} lets the buffer go, and the garbage collector takes it, also where close was
 * forgotten.
 *
 * <p><b>Threads:</b> one call at a time: calls from several threads wait for each other, so that none of them breaks the session, but
 * packets still have to come in the order of reception. Observe on the radio's thread, and hand other threads a {@link ClockMap}.
 *
 * <p>Each method throws {@link IllegalStateException} after {@link #close}. An observed packet takes 0.2 us on average, up to 100 us for the
 * one in about fifty that closes a block; the others take some us (desktop processor).
 */
public final class Session implements AutoCloseable {
    /** Null once closed. */
    private ByteBuffer memory;
    private final long at;

    private Session() {
        memory = Native.direct(Native.SESSION_BYTES + Native.OUTPUT_BYTES + 8);
        long address = Native.address(memory);
        at = (address + 7) & ~7L;
        outputAt = (int) (at - address) + Native.SESSION_BYTES;
    }

    /** Where the buffer has what the last call answered. */
    private final int outputAt;

    /**
     * Begins a session. Some us, 40 KiB of the thread's stack.
     *
     * @param config what is known of the device
     * @throws IllegalArgumentException for no stream, too many, or a value out of its range
     */
    public Session(Config config) {
        this();
        Native.check(Native.begin(memory, at, config.plain));
    }

    /**
     * Goes on where a session was saved, as if nothing had been between, to the same bits.
     *
     * @param saved what {@link #save} wrote, kept where nobody else writes: bytes altered by accident are refused, forged ones are as
     *     dangerous as any overwritten memory
     * @return the session
     * @throws OtherBuildException for bytes of another build of the library: begin a new session
     * @throws IllegalArgumentException for bytes that are no saved session, or were altered since
     */
    public static Session restore(byte[] saved) {
        java.util.Objects.requireNonNull(saved, "saved");
        Session session = new Session();
        Native.check(Native.restore(session.memory, session.at, saved));
        return session;
    }

    /**
     * Begins anew and forgets what was; as after a change of the headset. Errors as of the constructor; then the session is as it was.
     *
     * @param config what is known of the device
     */
    public synchronized void begin(Config config) {
        Native.check(Native.begin(open(), at, config.plain));
    }

    /**
     * Takes a packet that carries a tick, in the order of reception, from the radio's callback; host stamps need not ascend. A packet
     * that cannot be used is no error: the answer says what it did, and a counter moves.
     *
     * @param hostNs the host's clock at the stamp, ns: read first in the callback
     * @param sequence sequence number as sent, unsigned
     * @param tick the device's tick at the packet's first sample, as sent, unsigned
     * @param samples samples in the packet
     * @param stream stream, from 0, the reference
     * @return what the packet did
     */
    public synchronized Answer observe(long hostNs, long sequence, long tick, int samples, int stream) {
        ByteBuffer open = open();
        Native.check(Native.observe(open, at, hostNs, sequence, tick, samples, stream, true));
        return new Answer(open, outputAt);
    }

    /**
     * Takes a packet without a tick. Else as {@link #observe(long, long, long, int, int)}.
     *
     * @param hostNs the host's clock at the stamp, ns
     * @param sequence sequence number as sent, unsigned
     * @param samples samples in the packet
     * @param stream stream, from 0, the reference
     * @return what the packet did
     */
    public synchronized Answer observeWithoutTick(long hostNs, long sequence, int samples, int stream) {
        ByteBuffer open = open();
        Native.check(Native.observe(open, at, hostNs, sequence, 0, samples, stream, false));
        return new Answer(open, outputAt);
    }

    /**
     * Takes a batch of packets, as if one by one. It stays full; clear it before the next.
     *
     * @param batch packets in the order of reception; afterwards it has their answers
     */
    public synchronized void observe(PacketBatch batch) {
        batch.answered(0);
        batch.answered(observe(batch.packets(), batch.answers()));
    }

    /**
     * Takes the packets from a buffer's position to its limit, as if one by one, in one call. Both positions move on behind what was
     * taken and written.
     *
     * @param packets direct, in the byte order of the machine, aligned to 8 bytes, a whole number of packets in the layout of {@link
     *     PacketBatch}
     * @param answers direct, in the byte order of the machine, aligned to 8 bytes, with room for {@link PacketBatch#ANSWER_BYTES} a packet,
     *     {@code tickseam_answer} of tickseam.h; null where nobody asks
     * @return packets taken
     * @throws IllegalArgumentException for buffers that are not so, before anything is taken; and for a packet whose last two numbers are
     *     not as they have to be: then those before it are taken, and the positions stand there
     */
    public synchronized int observe(ByteBuffer packets, ByteBuffer answers) {
        ByteBuffer open = open();
        Native.requireDirect(packets, "packets");
        int bytes = packets.remaining();
        int count = bytes / PacketBatch.PACKET_BYTES;
        if (bytes % PacketBatch.PACKET_BYTES != 0) {
            throw new IllegalArgumentException("packets: not a whole number of packets remains");
        }
        long answersAt = 0;
        if (answers != null) {
            Native.requireDirect(answers, "answers");
            if (answers.isReadOnly()) {
                throw new IllegalArgumentException("answers: read-only");
            }
            if (answers.remaining() / PacketBatch.ANSWER_BYTES < count) {
                throw Native.refusal(Native.SHORT_MEMORY, "answers: ");
            }
            answersAt = Native.address(answers) + answers.position();
        }
        long packetsAt = Native.address(packets) + packets.position();
        int done = Native.observeBatch(open, at, packets, packetsAt, count, answers, answersAt);
        packets.position(packets.position() + done * PacketBatch.PACKET_BYTES);
        if (answers != null) {
            answers.position(answers.position() + done * PacketBatch.ANSWER_BYTES);
        }
        if (done < count) {
            throw Native.refusal(open.getInt(outputAt), "packet " + done + " of the batch: ");
        }
        return done;
    }

    /**
     * Takes an exchange of time stamps (T1 to T4 of RFC 5905), when its reply has come. It bounds the clock from both sides and needs no
     * fixed delay.
     *
     * @param originNs host time at which the request was sent, ns
     * @param receiveTick the device's tick at which it was received, as sent, unsigned
     * @param transmitTick the device's tick at which the reply was sent, as sent, unsigned
     * @param destinationNs host time at which the reply was received, ns
     * @return whether it was used, or why not
     */
    public synchronized Sighting observeExchange(long originNs, long receiveTick, long transmitTick, long destinationNs) {
        ByteBuffer open = open();
        Native.check(Native.exchange(open, at, originNs, receiveTick, transmitTick, destinationNs));
        return Sighting.of(open.getInt(outputAt));
    }

    /**
     * Takes a marker: an instant that both clocks saw, as a light sensor on the screen does; believed to within 2 ms.
     *
     * @param hostNs the host's stamp, ns
     * @param tick the device's tick, as sent, unsigned
     * @return whether it was used, or why not
     */
    public synchronized Sighting observeMarker(long hostNs, long tick) {
        ByteBuffer open = open();
        Native.check(Native.marker(open, at, hostNs, tick));
        return Sighting.of(open.getInt(outputAt));
    }

    /**
     * Places an event that was stamped when it happened. As {@link #place(long, double, double)} with 0 and 0.
     *
     * @param hostNs the host's clock at the stamp, ns
     * @return where it fell; empty where nothing is known yet
     */
    public Optional<Placement> place(long hostNs) {
        return place(hostNs, 0.0, 0.0);
    }

    /**
     * Places an event, a second or more after it happened. It may be asked again later, when more is known. An event from before the
     * running segment is placed on the one before it.
     *
     * @param hostNs the host's clock at the stamp, ns
     * @param latencyUs from the stamp to the physical event, us; negative where it was earlier; within an hour
     * @param latencyUUs its standard uncertainty, us, 0 to an hour
     * @return where it fell; empty where nothing is known yet
     * @throws IllegalArgumentException for a latency out of its range, or not a number
     */
    public synchronized Optional<Placement> place(long hostNs, double latencyUs, double latencyUUs) {
        ByteBuffer open = open();
        return known(Native.place(open, at, hostNs, latencyUs, latencyUUs))
                ? Optional.of(new Placement(open, outputAt))
                : Optional.<Placement>empty();
    }

    /**
     * Host time of a time on the running segment's timeline: the way back from a placement.
     *
     * @param deviceS device time, s
     * @return host time; empty where nothing is known yet
     * @throws IllegalArgumentException for a time that is not finite
     */
    public synchronized Optional<HostInstant> hostAt(double deviceS) {
        ByteBuffer open = open();
        return known(Native.hostAt(open, at, deviceS))
                ? Optional.of(new HostInstant(open, outputAt))
                : Optional.<HostInstant>empty();
    }

    /**
     * A clock map of the running segment's timeline as it is known now: hand it to other threads. Some us: take one as often as somebody
     * looks at it, not for each packet.
     *
     * @return the map; empty where nothing is known yet
     */
    public synchronized Optional<ClockMap> map() {
        byte[] map = new byte[ClockMap.BYTES];
        return known(Native.map(open(), at, map)) ? Optional.of(new ClockMap(map)) : Optional.<ClockMap>empty();
    }

    /**
     * The first run of missing packets of a stream, in its present segment, that ends at or after an index. Late packets may still close
     * it. Some 32 runs are listed for each stream, the newest ones; {@link #state} counts all.
     *
     * @param stream stream, from 0
     * @param fromIndex unwrapped sequence number: {@link Long#MIN_VALUE} at first, then {@code firstIndex + packets} of the last one
     * @return the run; empty where there is no further one
     * @throws IllegalArgumentException for a stream that is not configured
     */
    public synchronized Optional<Gap> nextGap(int stream, long fromIndex) {
        ByteBuffer open = open();
        return known(Native.nextGap(open, at, stream, fromIndex)) ? Optional.of(new Gap(open, outputAt)) : Optional.<Gap>empty();
    }

    /**
     * All runs that {@link #nextGap} lists.
     *
     * @param stream stream, from 0
     * @return the runs, the oldest first; not to be modified
     * @throws IllegalArgumentException for a stream that is not configured
     */
    public synchronized List<Gap> gaps(int stream) {
        List<Gap> gaps = new ArrayList<>();
        long from = Long.MIN_VALUE;
        for (Optional<Gap> gap = nextGap(stream, from); gap.isPresent(); gap = nextGap(stream, from)) {
            gaps.add(gap.get());
            from = gap.get().firstIndex() + gap.get().packets();
            if (from <= gap.get().firstIndex()) {
                break;
            }
        }
        return Collections.unmodifiableList(gaps);
    }

    /** {@return How the session stands: how much is known, segment, newest packet, what is missing} */
    public synchronized SessionState state() {
        ByteBuffer open = open();
        Native.check(Native.state(open, at));
        return new SessionState(open, outputAt);
    }

    /** {@return What the arrivals show of the link: its grid and the beat} */
    public synchronized LinkState link() {
        ByteBuffer open = open();
        Native.check(Native.link(open, at));
        return new LinkState(open, outputAt);
    }

    /** {@return What was counted since the session began} */
    public synchronized Counters counters() {
        ByteBuffer open = open();
        Native.check(Native.counters(open, at));
        return new Counters(open, outputAt);
    }

    /**
     * Saves the whole session, for {@link #restore} by the same build of the library.
     *
     * @return some 16.5 KiB
     */
    public synchronized byte[] save() {
        byte[] saved = new byte[Native.SAVED_BYTES];
        int written = Native.save(open(), at, saved);
        if (written < 0) {
            throw Native.refusal(written);
        }
        return written == saved.length ? saved : java.util.Arrays.copyOf(saved, written);
    }

    /**
     * A second session that goes on from here, each for itself.
     *
     * @return the copy
     */
    public synchronized Session copy() {
        ByteBuffer from = open().duplicate();
        Session copy = new Session();
        from.position(outputAt - Native.SESSION_BYTES).limit(outputAt);
        ByteBuffer to = copy.memory.duplicate();
        to.position(copy.outputAt - Native.SESSION_BYTES);
        to.put(from);
        return copy;
    }

    /** {@return True once {@link #close} was called} */
    public synchronized boolean isClosed() {
        return memory == null;
    }

    /** Ends the session and lets its memory go. A second time it does nothing. */
    @Override
    public synchronized void close() {
        memory = null;
    }

    private ByteBuffer open() {
        ByteBuffer open = memory;
        if (open == null) {
            throw new IllegalStateException("the session is closed");
        }
        return open;
    }

    /** False for what is not known yet and for no further one; throws for other refusals. */
    private static boolean known(int status) {
        if (status == Native.NOT_YET || status == Native.NO_MORE) {
            return false;
        }
        Native.check(status);
        return true;
    }
}
