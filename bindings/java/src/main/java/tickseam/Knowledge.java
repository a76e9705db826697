package tickseam;

/** How much a session knows. */
public enum Knowledge {
    /** Nothing can be placed yet. */
    NOTHING(0),
    /** The first packets: bounded by the declared tolerance and the usual delays only. Tell the user to wait some seconds. */
    COLD(1),
    /** Blocks of arrivals bound the clock. */
    TRACKING(2),
    /** A code that these classes do not know: of a later library. */
    UNKNOWN(Integer.MIN_VALUE);

    private final int code;

    Knowledge(int code) {
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
    public static Knowledge of(int code) {
        for (Knowledge one : ALL) {
            if (one.code == code) {
                return one;
            }
        }
        return UNKNOWN;
    }

    private static final Knowledge[] ALL = values();
}
