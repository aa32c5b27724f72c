"""How readings get in: from a recording, a broker or the simulated tent, all as `Reading`."""
