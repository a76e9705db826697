package tickseam;

import java.nio.ByteBuffer;

/** What was counted since a session began. The first seventeen add up to {@link #observed}. A value, for any thread. */
public final class Counters extends Fields {
    private final long inOrder;
    private final long late;
    private final long duplicate;
    private final long opensGap;
    private final long closesGap;
    private final long resumes;
    private final long newSegment;
    private final long joinsSegment;
    private final long ambiguous;
    private final long quarantined;
    private final long unknownStream;
    private final long sequenceOutOfRange;
    private final long tickOutOfRange;
    private final long noSamples;
    private final long hostOutOfRange;
    private final long tooOld;
    private final long countOverflow;
    private final long varyingSamples;
    private final long settledLater;
    private final long neverSettled;
    private final long forgotten;
    private final long wild;
    private final long exchangesUsed;
    private final long exchangesRefused;
    private final long markersUsed;
    private final long markersRefused;

    Counters(ByteBuffer from, int at) {
        inOrder = from.getLong(at + 8);
        late = from.getLong(at + 16);
        duplicate = from.getLong(at + 24);
        opensGap = from.getLong(at + 32);
        closesGap = from.getLong(at + 40);
        resumes = from.getLong(at + 48);
        newSegment = from.getLong(at + 56);
        joinsSegment = from.getLong(at + 64);
        ambiguous = from.getLong(at + 72);
        quarantined = from.getLong(at + 80);
        unknownStream = from.getLong(at + 88);
        sequenceOutOfRange = from.getLong(at + 96);
        tickOutOfRange = from.getLong(at + 104);
        noSamples = from.getLong(at + 112);
        hostOutOfRange = from.getLong(at + 120);
        tooOld = from.getLong(at + 128);
        countOverflow = from.getLong(at + 136);
        varyingSamples = from.getLong(at + 144);
        settledLater = from.getLong(at + 152);
        neverSettled = from.getLong(at + 160);
        forgotten = from.getLong(at + 168);
        wild = from.getLong(at + 176);
        exchangesUsed = from.getLong(at + 184);
        exchangesRefused = from.getLong(at + 192);
        markersUsed = from.getLong(at + 200);
        markersRefused = from.getLong(at + 208);
    }

    /** {@return Packets {@link Disposition#IN_ORDER}} */
    public long inOrder() {
        return inOrder;
    }

    /** {@return Packets {@link Disposition#LATE}} */
    public long late() {
        return late;
    }

    /** {@return Packets {@link Disposition#DUPLICATE}} */
    public long duplicate() {
        return duplicate;
    }

    /** {@return Packets that said {@link Disposition#OPENS_GAP}} */
    public long opensGap() {
        return opensGap;
    }

    /** {@return Packets that said {@link Disposition#CLOSES_GAP}} */
    public long closesGap() {
        return closesGap;
    }

    /** {@return Packets that said {@link Disposition#RESUMES}} */
    public long resumes() {
        return resumes;
    }

    /** {@return Packets that said {@link Disposition#NEW_SEGMENT}} */
    public long newSegment() {
        return newSegment;
    }

    /** {@return Packets that said {@link Disposition#JOINS_SEGMENT}} */
    public long joinsSegment() {
        return joinsSegment;
    }

    /** {@return Packets {@link Disposition#AMBIGUOUS}} */
    public long ambiguous() {
        return ambiguous;
    }

    /** {@return Packets {@link Disposition#QUARANTINED}} */
    public long quarantined() {
        return quarantined;
    }

    /** {@return Packets refused for {@link Refusal#UNKNOWN_STREAM}} */
    public long unknownStream() {
        return unknownStream;
    }

    /** {@return Packets refused for {@link Refusal#SEQUENCE}} */
    public long sequenceOutOfRange() {
        return sequenceOutOfRange;
    }

    /** {@return Packets refused for {@link Refusal#TICK}} */
    public long tickOutOfRange() {
        return tickOutOfRange;
    }

    /** {@return Packets refused for {@link Refusal#NO_SAMPLES}} */
    public long noSamples() {
        return noSamples;
    }

    /** {@return Packets refused for {@link Refusal#HOST}} */
    public long hostOutOfRange() {
        return hostOutOfRange;
    }

    /** {@return Packets refused for {@link Refusal#TOO_OLD}} */
    public long tooOld() {
        return tooOld;
    }

    /** {@return Packets refused for {@link Refusal#OVERFLOW}} */
    public long countOverflow() {
        return countOverflow;
    }

    /** {@return Packets with another number of samples than their stream's nominal one} */
    public long varyingSamples() {
        return varyingSamples;
    }

    /** {@return Packets that got their place after others had come} */
    public long settledLater() {
        return settledLater;
    }

    /** {@return Packets that waited for a place and never got one} */
    public long neverSettled() {
        return neverSettled;
    }

    /** {@return Packets that waited longer than there is room for: counted as missing, and not used for the clock} */
    public long forgotten() {
        return forgotten;
    }

    /** {@return Stamps that were nonsense and were not used for the clock} */
    public long wild() {
        return wild;
    }

    /** {@return Exchanges used} */
    public long exchangesUsed() {
        return exchangesUsed;
    }

    /** {@return Exchanges refused} */
    public long exchangesRefused() {
        return exchangesRefused;
    }

    /** {@return Markers used} */
    public long markersUsed() {
        return markersUsed;
    }

    /** {@return Markers refused} */
    public long markersRefused() {
        return markersRefused;
    }

    /** {@return Packets observed, whatever became of them} */
    public long observed() {
        return inOrder
                + late
                + duplicate
                + opensGap
                + closesGap
                + resumes
                + newSegment
                + joinsSegment
                + ambiguous
                + quarantined
                + unknownStream
                + sequenceOutOfRange
                + tickOutOfRange
                + noSamples
                + hostOutOfRange
                + tooOld
                + countOverflow;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "inOrder", inOrder,
            "late", late,
            "duplicate", duplicate,
            "opensGap", opensGap,
            "closesGap", closesGap,
            "resumes", resumes,
            "newSegment", newSegment,
            "joinsSegment", joinsSegment,
            "ambiguous", ambiguous,
            "quarantined", quarantined,
            "unknownStream", unknownStream,
            "sequenceOutOfRange", sequenceOutOfRange,
            "tickOutOfRange", tickOutOfRange,
            "noSamples", noSamples,
            "hostOutOfRange", hostOutOfRange,
            "tooOld", tooOld,
            "countOverflow", countOverflow,
            "varyingSamples", varyingSamples,
            "settledLater", settledLater,
            "neverSettled", neverSettled,
            "forgotten", forgotten,
            "wild", wild,
            "exchangesUsed", exchangesUsed,
            "exchangesRefused", exchangesRefused,
            "markersUsed", markersUsed,
            "markersRefused", markersRefused
        };
    }
}
