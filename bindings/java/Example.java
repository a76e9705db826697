import tickseam.Answer;
import tickseam.Config;
import tickseam.Disposition;
import tickseam.Placement;
import tickseam.Session;

/** From a radio's callback to a placed event. The headset and its packets are invented. */
public final class Example {
    /** 250 Hz in packets of 5, a tick of 32768 Hz, a fixed delay of 18 ms. */
    private static final Config HEADSET =
            Config.builder()
                    .ticks(32768.0, 32)
                    .tolerancePpm(50.0)
                    .hostStepUs(0.001)
                    .fixedDelayUs(18_000.0, 200.0)
                    .stream(250.0, 5, 16)
                    .build();

    private Example() {}

    /** The radio's callback: the stamp was read first; the rest is in the packet. */
    private static void received(Session session, long stampNs, int sequence, long tick) {
        Answer answer = session.observe(stampNs, sequence, tick, 5, 0);
        if (answer.disposition() == Disposition.OPENS_GAP) {
            System.out.println(answer.missingCount() + " packet is missing");
        }
    }

    public static void main(String[] arguments) {
        try (Session session = new Session(HEADSET)) {
            for (int n = 0; n < 1000; n++) {
                if (n != 400) {
                    long stampNs = 7_000_000_000L + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000L;
                    received(session, stampNs, n, n * 32768L / 50);
                }
            }
            Placement tone = session.place(27_000_000_000L).get();
            System.out.printf(
                    "the tone fell on sample %.3f, give or take %.3f ms%n", tone.sample(), tone.u95Us() / 1e3);
        }
    }
}
