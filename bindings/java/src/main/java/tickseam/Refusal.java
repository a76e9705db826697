package tickseam;

/** Why a packet was rejected. */
public enum Refusal {
    /** It was not. */
    NONE(0),
    /** No such stream was configured. */
    UNKNOWN_STREAM(1),
    /** The sequence number does not fit its width. */
    SEQUENCE(2),
    /** The tick does not fit its width. */
    TICK(3),
    /** The packet holds no sample. */
    NO_SAMPLES(4),
    /** The host stamp is more than 146 years from the origin of its clock. */
    HOST(5),
    /** Older than the reorder window. */
    TOO_OLD(6),
    /** The position does not fit 64 bits. */
    OVERFLOW(7),
    /** A code that these classes do not know: of a later library. */
    UNKNOWN(Integer.MIN_VALUE);

    private final int code;

    Refusal(int code) {
        this.code = code;
    }

    /**
     * The number that tickseam.h has for it.
     *
     * @return the code; the least {@code int} for {@link #UNKNOWN}
     */
    public int code() {
        return code;
    }

    /**
     * The constant of a code. Any thread.
     *
     * @param code any number
     * @return its constant, or {@link #UNKNOWN}
     */
    public static Refusal of(int code) {
        for (Refusal one : ALL) {
            if (one.code == code) {
                return one;
            }
        }
        return UNKNOWN;
    }

    private static final Refusal[] ALL = values();
}
