package tickseam;

import java.nio.ByteBuffer;

/** An instant of the host's clock. A value, for any thread. */
public final class HostInstant extends Fields {
    private final long hostNs;
    private final double uUs;
    private final double u95Us;

    HostInstant(ByteBuffer from, int at) {
        hostNs = from.getLong(at);
        uUs = from.getDouble(at + 8);
        u95Us = from.getDouble(at + 16);
    }

    /** {@return Host time, ns since the origin of the stamps} */
    public long hostNs() {
        return hostNs;
    }

    /** {@return Standard uncertainty, us, 0 or more} */
    public double uUs() {
        return uUs;
    }

    /** {@return Half-width of the 95 % interval, us} */
    public double u95Us() {
        return u95Us;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "hostNs", hostNs,
            "uUs", uUs,
            "u95Us", u95Us
        };
    }
}
