"""The parts of a drafted job: what logs show, which of them followed one profile, the text."""
