package tickseam;

import java.nio.ByteBuffer;

/** Where an event fell, and how surely. A value, for any thread. */
public final class Placement extends Fields {
    private final int segment;
    private final double deviceS;
    private final double sample;
    private final double uUs;
    private final double u95Us;
    private final double linkUs;
    private final double holdoverUs;
    private final double fixedDelayUs;
    private final double resolutionUs;
    private final double latencyUs;
    private final double statisticsUs;
    private final double latticeUs;
    private final double curvatureUs;
    private final boolean excludesFixedDelay;

    Placement(ByteBuffer from, int at) {
        segment = from.getInt(at + 4);
        deviceS = from.getDouble(at + 8);
        sample = from.getDouble(at + 16);
        uUs = from.getDouble(at + 24);
        u95Us = from.getDouble(at + 32);
        linkUs = from.getDouble(at + 40);
        holdoverUs = from.getDouble(at + 48);
        fixedDelayUs = from.getDouble(at + 56);
        resolutionUs = from.getDouble(at + 64);
        latencyUs = from.getDouble(at + 72);
        statisticsUs = from.getDouble(at + 80);
        latticeUs = from.getDouble(at + 88);
        curvatureUs = from.getDouble(at + 96);
        excludesFixedDelay = from.getInt(at + 104) != 0;
    }

    /** {@return Segment on whose timeline it fell, from 0} */
    public int segment() {
        return segment;
    }

    /** {@return Time on that timeline, s at the nominal rate since the first sample of its first packet of stream 0} */
    public double deviceS() {
        return deviceS;
    }

    /** {@return The same in samples of stream 0, with a fraction} */
    public double sample() {
        return sample;
    }

    /** {@return Standard uncertainty, us, 0 or more} */
    public double uUs() {
        return uUs;
    }

    /** {@return Half-width of the 95 % interval, us: root of the sum of squares of link plus holdover, fixed delay, resolution and latency} */
    public double u95Us() {
        return u95Us;
    }

    /** {@return Line {@link BudgetLine#LINK}, half-width of 95 %, us} */
    public double linkUs() {
        return linkUs;
    }

    /** {@return Line {@link BudgetLine#HOLDOVER}, half-width of 95 %, us} */
    public double holdoverUs() {
        return holdoverUs;
    }

    /** {@return Line {@link BudgetLine#FIXED_DELAY}, half-width of 95 %, us} */
    public double fixedDelayUs() {
        return fixedDelayUs;
    }

    /** {@return Line {@link BudgetLine#RESOLUTION}, half-width of 95 %, us} */
    public double resolutionUs() {
        return resolutionUs;
    }

    /** {@return Line {@link BudgetLine#LATENCY}, half-width of 95 %, us} */
    public double latencyUs() {
        return latencyUs;
    }

    /** {@return Line {@link BudgetLine#STATISTICS}, a part of the link's, half-width of 95 %, us} */
    public double statisticsUs() {
        return statisticsUs;
    }

    /** {@return Line {@link BudgetLine#LATTICE}, a part of the link's, half-width of 95 %, us} */
    public double latticeUs() {
        return latticeUs;
    }

    /** {@return Line {@link BudgetLine#CURVATURE}, a part of the link's, half-width of 95 %, us} */
    public double curvatureUs() {
        return curvatureUs;
    }

    /** {@return True if nobody knows the fixed delay: the event is placed late by it, and the interval does not count it} */
    public boolean excludesFixedDelay() {
        return excludesFixedDelay;
    }

    /**
     * One line of the budget: what the interval is made of.
     *
     * @param line which cause
     * @return half-width of 95 %, us
     * @throws IllegalArgumentException for {@link BudgetLine#UNKNOWN}
     */
    public double lineUs(BudgetLine line) {
        switch (line) {
            case LINK:
                return linkUs;
            case HOLDOVER:
                return holdoverUs;
            case FIXED_DELAY:
                return fixedDelayUs;
            case RESOLUTION:
                return resolutionUs;
            case LATENCY:
                return latencyUs;
            case STATISTICS:
                return statisticsUs;
            case LATTICE:
                return latticeUs;
            case CURVATURE:
                return curvatureUs;
            default:
                throw Native.refusal(Native.VALUE);
        }
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "segment", segment,
            "deviceS", deviceS,
            "sample", sample,
            "uUs", uUs,
            "u95Us", u95Us,
            "linkUs", linkUs,
            "holdoverUs", holdoverUs,
            "fixedDelayUs", fixedDelayUs,
            "resolutionUs", resolutionUs,
            "latencyUs", latencyUs,
            "statisticsUs", statisticsUs,
            "latticeUs", latticeUs,
            "curvatureUs", curvatureUs,
            "excludesFixedDelay", excludesFixedDelay
        };
    }
}
