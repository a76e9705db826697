package tickseam;

import java.nio.ByteBuffer;

/**
 * Which host time belongs to which device time, as a session knew it when the map was taken: host time = host origin + device time +
 * residual, where the residual is {@code offsetUs + ratePpm * (device time - atS)}. An immutable value, for any thread, without a session;
 * each method takes constant time. Device times are s on the map's timeline.
 */
public final class ClockMap extends Fields {
    static final int BYTES = 120;

    private final byte[] plain;
    private final ByteBuffer fields;

    /** Takes the struct over; it is not changed from here on. */
    ClockMap(byte[] plain) {
        this.plain = plain;
        this.fields = Native.wrap(plain);
    }

    /**
     * A map of one's own, as from a phone to a server.
     *
     * @param deviceOrigin device count at the timeline's zero
     * @param countsPerS nominal counts per second, above 0; 1e9 where the device is a clock of nanoseconds
     * @param hostOriginNs host time at the origin, ns
     * @return a builder of a map whose residual and uncertainties are 0
     */
    public static Builder builder(long deviceOrigin, double countsPerS, long hostOriginNs) {
        return new Builder(deviceOrigin, countsPerS, hostOriginNs);
    }

    /**
     * Host time of a device time; outside the map's stretch the uncertainty grows.
     *
     * @param deviceS device time, s, any finite one
     * @return host time and its uncertainty
     * @throws IllegalArgumentException for a time that is not finite
     */
    public HostInstant hostAt(double deviceS) {
        byte[] instant = new byte[24];
        Native.check(Native.mapHostAt(plain, deviceS, instant));
        return new HostInstant(Native.wrap(instant), 0);
    }

    /**
     * Device time of a host time. Add half a step of the host's stamps for an event that was stamped by rounding down.
     *
     * @param hostNs host time, ns
     * @return device time and its uncertainty
     */
    public DeviceInstant deviceAt(long hostNs) {
        byte[] instant = new byte[24];
        Native.check(Native.mapDeviceAt(plain, hostNs, instant));
        return new DeviceInstant(Native.wrap(instant), 0);
    }

    /**
     * By how much the device's clock runs fast against the host's.
     *
     * @return drift, ppm, positive where the device's clock is fast
     */
    public double driftPpm() {
        byte[] drift = new byte[8];
        Native.check(Native.mapDrift(plain, drift));
        return Native.wrap(drift).getDouble(0);
    }

    /**
     * The map the other way: its device is this one's host, counted in ns; its host time is this one's device time, ns since the
     * timeline's zero.
     *
     * @return the inverse
     */
    public ClockMap invert() {
        byte[] inverted = new byte[BYTES];
        Native.check(Native.mapInvert(plain, inverted));
        return new ClockMap(inverted);
    }

    /**
     * One map after the other: headset to phone, phone to server. Half-widths add, standard uncertainties as if independent.
     *
     * @param onward from this map's host, counted in ns, to another host
     * @return from this map's device to that host
     */
    public ClockMap chain(ClockMap onward) {
        byte[] chained = new byte[BYTES];
        Native.check(Native.mapChain(plain, onward.plain, chained));
        return new ClockMap(chained);
    }

    /** {@return Segment of the timeline, from 0} */
    public int segment() {
        return fields.getInt(4);
    }

    /** {@return Device count at the timeline's zero: ticks, or samples without ticks} */
    public long deviceOrigin() {
        return fields.getLong(8);
    }

    /** {@return Nominal counts per second, above 0} */
    public double countsPerS() {
        return fields.getDouble(16);
    }

    /** {@return Host time at the origin, ns} */
    public long hostOriginNs() {
        return fields.getLong(24);
    }

    /** {@return Device time at which the map is centred, s} */
    public double atS() {
        return fields.getDouble(32);
    }

    /** {@return Residual there, us} */
    public double offsetUs() {
        return fields.getDouble(40);
    }

    /** {@return Host seconds gained per device second, ppm: the negative of the drift} */
    public double ratePpm() {
        return fields.getDouble(48);
    }

    /** {@return Standard uncertainty of the residual at atS, us} */
    public double uOffsetUs() {
        return fields.getDouble(56);
    }

    /** {@return Standard uncertainty of the rate, ppm} */
    public double uRatePpm() {
        return fields.getDouble(64);
    }

    /** {@return Covariance of residual and rate, us ppm} */
    public double covariance() {
        return fields.getDouble(72);
    }

    /** {@return Half-width of the 95 % interval of the residual at atS, us} */
    public double halfWidthUs() {
        return fields.getDouble(80);
    }

    /** {@return By how much it grows for each second away from atS, us/s} */
    public double growthPpm() {
        return fields.getDouble(88);
    }

    /** {@return By how fast the rate may change, ppm/s} */
    public double curvaturePpmPerS() {
        return fields.getDouble(96);
    }

    /** {@return First device time that observations stand behind, s} */
    public double validFromS() {
        return fields.getDouble(104);
    }

    /** {@return Last such time, s; outside the map is in holdover} */
    public double validToS() {
        return fields.getDouble(112);
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "segment", segment(),
            "deviceOrigin", deviceOrigin(),
            "countsPerS", countsPerS(),
            "hostOriginNs", hostOriginNs(),
            "atS", atS(),
            "offsetUs", offsetUs(),
            "ratePpm", ratePpm(),
            "uOffsetUs", uOffsetUs(),
            "uRatePpm", uRatePpm(),
            "covariance", covariance(),
            "halfWidthUs", halfWidthUs(),
            "growthPpm", growthPpm(),
            "curvaturePpmPerS", curvaturePpmPerS(),
            "validFromS", validFromS(),
            "validToS", validToS()
        };
    }

    /** Collects a map's numbers; for one thread at a time. */
    public static final class Builder {
        private final byte[] plain = new byte[BYTES];
        private final ByteBuffer fields = Native.wrap(plain);

        private Builder(long deviceOrigin, double countsPerS, long hostOriginNs) {
            fields.putInt(0, BYTES).putLong(8, deviceOrigin).putDouble(16, countsPerS).putLong(24, hostOriginNs);
        }

        /**
         * The residual.
         *
         * @param atS device time at which the map is centred, s
         * @param offsetUs residual there, us
         * @param ratePpm host seconds gained per device second, ppm: the negative of the drift
         * @return this
         */
        public Builder residual(double atS, double offsetUs, double ratePpm) {
            fields.putDouble(32, atS).putDouble(40, offsetUs).putDouble(48, ratePpm);
            return this;
        }

        /**
         * Standard uncertainties.
         *
         * @param uOffsetUs of the residual at atS, us, 0 or more
         * @param uRatePpm of the rate, ppm, 0 or more
         * @param covariance of the two, us ppm
         * @return this
         */
        public Builder standard(double uOffsetUs, double uRatePpm, double covariance) {
            fields.putDouble(56, uOffsetUs).putDouble(64, uRatePpm).putDouble(72, covariance);
            return this;
        }

        /**
         * The 95 % interval.
         *
         * @param halfWidthUs half-width of the residual's at atS, us, 0 or more
         * @param growthPpm by how much it grows for each second away from there, us/s, 0 or more
         * @param curvaturePpmPerS by how fast the rate may change, ppm/s, 0 or more
         * @return this
         */
        public Builder interval(double halfWidthUs, double growthPpm, double curvaturePpmPerS) {
            fields.putDouble(80, halfWidthUs).putDouble(88, growthPpm).putDouble(96, curvaturePpmPerS);
            return this;
        }

        /**
         * The stretch that observations stand behind.
         *
         * @param fromS first device time, s
         * @param toS last one, s
         * @return this
         */
        public Builder valid(double fromS, double toS) {
            fields.putDouble(104, fromS).putDouble(112, toS);
            return this;
        }

        /**
         * The map; the builder may go on.
         *
         * @return an immutable map
         * @throws IllegalArgumentException for a number out of its range
         */
        public ClockMap build() {
            ClockMap map = new ClockMap(plain.clone());
            map.hostAt(0.0);
            return map;
        }
    }
}
