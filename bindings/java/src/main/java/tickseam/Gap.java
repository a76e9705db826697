package tickseam;

import java.nio.ByteBuffer;

/** A run of missing packets. A value, for any thread. */
public final class Gap extends Fields {
    private final long firstIndex;
    private final long packets;
    private final long samples;

    Gap(ByteBuffer from, int at) {
        firstIndex = from.getLong(at);
        packets = from.getLong(at + 8);
        samples = from.getLong(at + 16);
    }

    /** {@return Unwrapped sequence number of the first missing packet} */
    public long firstIndex() {
        return firstIndex;
    }

    /** {@return Packets missing in a row, at least 1} */
    public long packets() {
        return packets;
    }

    /** {@return Samples missing at the nominal packet size} */
    public long samples() {
        return samples;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "firstIndex", firstIndex,
            "packets", packets,
            "samples", samples
        };
    }
}
