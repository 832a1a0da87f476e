"""Bodies made and placed with errors, by lot: how many still meet what is asked of the dial."""
