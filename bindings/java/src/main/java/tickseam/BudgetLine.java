package tickseam;

/** A line of a placement's uncertainty budget. */
public enum BudgetLine {
    /** What the link's delays leave open of the clock, within the observed stretch. */
    LINK(0),
    /** What the age of the last observation adds to it (holdover, ITU-T G.810). */
    HOLDOVER(1),
    /** The link's fixed delay. */
    FIXED_DELAY(2),
    /** The steps of host stamps and device ticks. */
    RESOLUTION(3),
    /** From the event's stamp to the physical event. */
    LATENCY(4),
    /** Of {@link #LINK}: what the scatter of delays, exchanges and markers leaves open. */
    STATISTICS(5),
    /** Of {@link #LINK}: what the link's grid leaves open, one that does not show included. */
    LATTICE(6),
    /** Of {@link #LINK}: what the crystal's wander between the bounds leaves open. */
    CURVATURE(7),
    /** A code that these classes do not know: of a later library. */
    UNKNOWN(Integer.MIN_VALUE);

    private final int code;

    BudgetLine(int code) {
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
    public static BudgetLine of(int code) {
        for (BudgetLine one : ALL) {
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
        return Native.lineText(code);
    }

    private static final BudgetLine[] ALL = values();
}
