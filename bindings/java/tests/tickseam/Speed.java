package tickseam;

/** Time of one observed packet from Java: singly, and in batches of 10. The best of several rounds; speed.c does the same in C. */
public final class Speed {
    private static final int PACKETS = 200_000;
    private static final int ROUNDS = 7;
    private static final int BATCH = 10;

    private Speed() {}

    private static Session session() {
        Config known = Config.builder().ticks(32768.0, 32).tolerancePpm(50.0).hostStepUs(0.001).stream(250.0, 5, 16).build();
        return new Session(known);
    }

    private static long stampNs(int n) {
        return 7_000_000_000L + (n * 20L + 18 + (14 - n * 20L % 15)) * 1_000_000L;
    }

    /**
     * Prints both in ns a packet.
     *
     * @param arguments none
     */
    public static void main(String[] arguments) {
        double single = Double.POSITIVE_INFINITY;
        double batched = Double.POSITIVE_INFINITY;
        for (int round = 0; round < ROUNDS; round++) {
            long placed = 0;
            try (Session session = session()) {
                long from = System.nanoTime();
                for (int n = 0; n < PACKETS; n++) {
                    placed += session.observe(stampNs(n), n & 0xFFFF, n * 32768L / 50, 5, 0).hasPlace() ? 1 : 0;
                }
                single = Math.min(single, (double) (System.nanoTime() - from) / PACKETS);
            }
            PacketBatch batch = new PacketBatch(BATCH);
            try (Session session = session()) {
                long from = System.nanoTime();
                for (int n = 0; n < PACKETS; n += BATCH) {
                    batch.clear();
                    for (int i = n; i < n + BATCH; i++) {
                        batch.add(stampNs(i), i & 0xFFFF, i * 32768L / 50, 5, 0);
                    }
                    session.observe(batch);
                    placed += batch.answer(BATCH - 1).hasPlace() ? 1 : 0;
                }
                batched = Math.min(batched, (double) (System.nanoTime() - from) / PACKETS);
            }
            if (placed != PACKETS + PACKETS / BATCH) {
                throw new AssertionError("packets without a place");
            }
        }
        System.out.println(single + " " + batched);
    }
}
