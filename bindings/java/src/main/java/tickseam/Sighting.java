package tickseam;

/** What an exchange or a marker did. */
public enum Sighting {
    /** It bounds the clock. */
    USED(0),
    /** Refused: the device's ticks are not configured. */
    NO_TICKS(1),
    /** Refused: no packet of the reference stream has found its place yet. */
    TOO_EARLY(2),
    /** Refused: a tick does not fit its width, or lies more than 2 s from where the arrivals expect it. */
    FAR_OFF(3),
    /** Refused: the reply came before the request, on either clock. */
    BACKWARDS(4),
    /** A code that these classes do not know: of a later library. */
    UNKNOWN(Integer.MIN_VALUE);

    private final int code;

    Sighting(int code) {
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
    public static Sighting of(int code) {
        for (Sighting one : ALL) {
            if (one.code == code) {
                return one;
            }
        }
        return UNKNOWN;
    }

    private static final Sighting[] ALL = values();
}
