package tickseam;

import java.nio.ByteBuffer;

/**
 * Events that a replay places, one column for each field, all of one length. {@link #of} copies arrays; {@link #over} reads direct buffers
 * in place, which then must not change while a replay runs. For any thread.
 */
public final class Events {
    final Columns columns;

    private Events(Columns columns) {
        this.columns = columns;
    }

    /**
     * Events in arrays, which are copied.
     *
     * @param hostNs the host's clock at each event's stamp, ns
     * @param latencyUs from the stamp to the physical event, us, within an hour; null: 0
     * @param latencyUUs its standard uncertainty, us, 0 to an hour; null: 0
     * @return the events
     * @throws IllegalArgumentException for arrays of different lengths
     */
    public static Events of(long[] hostNs, double[] latencyUs, double[] latencyUUs) {
        Columns columns = new Columns(hostNs.length);
        columns.add(hostNs);
        columns.add(latencyUs);
        columns.add(latencyUUs);
        return new Events(columns);
    }

    /**
     * Events in direct buffers in the byte order of the machine, from position to limit, read in place. Null as in {@link #of}.
     *
     * @param hostNs longs: stamps, ns
     * @param latencyUs doubles, or null
     * @param latencyUUs doubles, or null
     * @return the events
     * @throws IllegalArgumentException for buffers of different lengths, of another byte order, or not direct
     */
    public static Events over(ByteBuffer hostNs, ByteBuffer latencyUs, ByteBuffer latencyUUs) {
        Columns columns = new Columns(hostNs.remaining() / 8);
        columns.add(hostNs, 8, "hostNs");
        columns.add(latencyUs, 8, "latencyUs");
        columns.add(latencyUUs, 8, "latencyUUs");
        return new Events(columns);
    }

    /** {@return How many events} */
    public int size() {
        return columns.count;
    }
}
