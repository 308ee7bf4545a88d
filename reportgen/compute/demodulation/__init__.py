"""From samples to rows: the drive is followed, channels are demodulated against it."""
