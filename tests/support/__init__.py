"""Real parts that several tests start: a broker, a system bus, certificates."""
