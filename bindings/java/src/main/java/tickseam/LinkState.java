package tickseam;

import java.nio.ByteBuffer;

/** What the arrivals show of the link. A value, for any thread. */
public final class LinkState extends Fields {
    private final boolean hasInterval;
    private final double intervalUs;
    private final double intervalStretchPpm;
    private final double beatUs;
    private final boolean offNominal;
    private final boolean restsOnSightings;

    LinkState(ByteBuffer from, int at) {
        hasInterval = from.getInt(at + 4) != 0;
        intervalUs = from.getDouble(at + 8);
        intervalStretchPpm = from.getDouble(at + 16);
        beatUs = from.getDouble(at + 24);
        offNominal = from.getInt(at + 32) != 0;
        restsOnSightings = from.getInt(at + 36) != 0;
    }

    /** {@return True if the link is believed to send at the instants of a grid, declared or found: then the next three hold} */
    public boolean hasInterval() {
        return hasInterval;
    }

    /** {@return Period of the grid, us of the radio's own time} */
    public double intervalUs() {
        return intervalUs;
    }

    /** {@return Rate of the grid against the host's clock, ppm; positive if its periods are longer than nominal} */
    public double intervalStretchPpm() {
        return intervalStretchPpm;
    }

    /**
     * {@return The beat, us: the longest stretch of the grid's period that no packet of a minute falls into. The shortest wait may hide
     * as much. Several milliseconds call for another packet period, an exchange or a marker}
     */
    public double beatUs() {
        return beatUs;
    }

    /** {@return True if the device's rate lies outside the declared tolerance: look at the nominal rate} */
    public boolean offNominal() {
        return offNominal;
    }

    /** {@return True if exchanges and markers tell more than arrivals less the fixed delay} */
    public boolean restsOnSightings() {
        return restsOnSightings;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "hasInterval", hasInterval,
            "intervalUs", intervalUs,
            "intervalStretchPpm", intervalStretchPpm,
            "beatUs", beatUs,
            "offNominal", offNominal,
            "restsOnSightings", restsOnSightings
        };
    }
}
