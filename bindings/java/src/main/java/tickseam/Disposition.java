package tickseam;

/** What an observed packet did. */
public enum Disposition {
    /** The successor of the newest packet, or the first of its stream. */
    IN_ORDER(0),
    /** Older than the newest packet; used. */
    LATE(1),
    /** Already received: keep the earlier one. */
    DUPLICATE(2),
    /** Used; {@link Answer#missingCount} packets from {@link Answer#missingFrom} on are missing. */
    OPENS_GAP(3),
    /** Older than the newest packet; used; the last one that was missing in its gap. */
    CLOSES_GAP(4),
    /** After an ambiguous silence the count goes on, {@link Answer#settled} packets before this one included. */
    RESUMES(5),
    /** The device's counters restarted: a new segment begins with this packet or with the settled ones before it. */
    NEW_SEGMENT(6),
    /** The stream's first packet in a segment that another stream opened. */
    JOINS_SEGMENT(7),
    /** Several numbers of turns of the counters fit: the packet waits for its place. */
    AMBIGUOUS(8),
    /** The counters fit nothing known: a corrupt stamp, or the first packet after a restart; it waits for its place. */
    QUARANTINED(9),
    /** Refused for the reason in {@link Answer#refusal}: nothing has changed but a counter. */
    REJECTED(10),
    /** A code that these classes do not know: of a later library. */
    UNKNOWN(Integer.MIN_VALUE);

    private final int code;

    Disposition(int code) {
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
    public static Disposition of(int code) {
        for (Disposition one : ALL) {
            if (one.code == code) {
                return one;
            }
        }
        return UNKNOWN;
    }

    /**
     * The library's words for it, for logs. Any thread.
     *
     * @return some words, never null
     */
    public String text() {
        return Native.dispositionText(code);
    }

    private static final Disposition[] ALL = values();
}
