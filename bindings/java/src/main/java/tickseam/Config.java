package tickseam;

import java.nio.ByteBuffer;

/**
 * What is known of the device before its first packet. Immutable, for any thread; {@link #builder} makes one. Whether the values are in
 * their ranges is checked where a configuration is used: {@link Session} and {@link Replay} throw.
 */
public final class Config {
    /** Streams that one session has room for. */
    public static final int STREAMS_MAX = 4;

    private static final int BYTES = 128;
    private static final int STREAMS_AT = 64;
    private static final int STREAM_BYTES = 16;

    /** The library's struct, never changed. */
    final byte[] plain;

    private Config(byte[] plain) {
        this.plain = plain;
    }

    /**
     * A configuration of which nothing is known yet.
     *
     * @return an empty builder, which is for one thread
     */
    public static Builder builder() {
        return new Builder();
    }

    /** Collects what is known; for one thread at a time. What is not said stays unknown, or 0. */
    public static final class Builder {
        private final byte[] plain = new byte[BYTES];
        private final ByteBuffer fields = Native.wrap(plain);
        private int streams = 0;

        private Builder() {
            fields.putInt(0, BYTES);
        }

        /**
         * The device's tick counter. Without it the sample count is the clock, ticks are not looked at, and exchanges and markers are
         * refused.
         *
         * @param hz nominal rate, Hz, 0.001 to 1e12
         * @param bits the counter wraps at 2^bits; 16 to 64
         * @return this
         */
        public Builder ticks(double hz, int bits) {
            fields.putInt(4, bits).putDouble(8, hz);
            return this;
        }

        /**
         * Tolerance of the device's crystal; 0 where it is not given.
         *
         * @param ppm ppm, 0 to 99980; crystals of watches and radios have 20 to 50
         * @return this
         */
        public Builder tolerancePpm(double ppm) {
            fields.putDouble(16, ppm);
            return this;
        }

        /**
         * Step of the host's stamps.
         *
         * @param us us, 0 to 1e6; 0.001 for a clock of nanoseconds
         * @return this
         */
        public Builder hostStepUs(double us) {
            fields.putDouble(24, us);
            return this;
        }

        /**
         * Smallest time from the first sample of a packet of stream 0 to its host stamp. Where it is not given, placements are late by
         * it and say so ({@link Placement#excludesFixedDelay}).
         *
         * @param us us, positive where the stamp is later; at most an hour
         * @param uUs its standard uncertainty, us, 0 or more
         * @return this
         */
        public Builder fixedDelayUs(double us, double uUs) {
            fields.putDouble(32, us).putDouble(40, uUs).putInt(56, 1);
            return this;
        }

        /**
         * Connection interval of the link; looked for where it is not given.
         *
         * @param us us, 100 to 1e7; 0 where it is not known
         * @return this
         */
        public Builder intervalUs(double us) {
            fields.putDouble(48, us);
            return this;
        }

        /**
         * Adds a stream. The first one is stream 0, the reference, whose samples events are placed on. At least one, at most
         * {@link #STREAMS_MAX}.
         *
         * @param rateHz nominal sample rate, Hz, above 0
         * @param samplesPerPacket nominal samples in one packet, at least 1; one packet lasts 1 us to 1000 s
         * @param sequenceBits the sequence number wraps at 2^sequenceBits; 2 to 64
         * @return this
         */
        public Builder stream(double rateHz, int samplesPerPacket, int sequenceBits) {
            if (streams < STREAMS_MAX) {
                int at = STREAMS_AT + STREAM_BYTES * streams;
                fields.putDouble(at, rateHz).putInt(at + 8, samplesPerPacket).putInt(at + 12, sequenceBits);
            }
            streams++;
            fields.putInt(60, streams);
            return this;
        }

        /**
         * The configuration as said so far; the builder may go on.
         *
         * @return an immutable configuration
         */
        public Config build() {
            return new Config(plain.clone());
        }
    }
}
