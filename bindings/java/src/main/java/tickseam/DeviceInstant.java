package tickseam;

import java.nio.ByteBuffer;

/** An instant of a device's timeline. A value, for any thread. */
public final class DeviceInstant extends Fields {
    private final double deviceS;
    private final double uUs;
    private final double u95Us;

    DeviceInstant(ByteBuffer from, int at) {
        deviceS = from.getDouble(at);
        uUs = from.getDouble(at + 8);
        u95Us = from.getDouble(at + 16);
    }

    /** {@return Time on the timeline, s} */
    public double deviceS() {
        return deviceS;
    }

    /** {@return Standard uncertainty, us of device time, 0 or more} */
    public double uUs() {
        return uUs;
    }

    /** {@return Half-width of the 95 % interval, us of device time} */
    public double u95Us() {
        return u95Us;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "deviceS", deviceS,
            "uUs", uUs,
            "u95Us", u95Us
        };
    }
}
