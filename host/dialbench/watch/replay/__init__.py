"""The replay page: any day, predicted or stored, scrubbed and played."""
