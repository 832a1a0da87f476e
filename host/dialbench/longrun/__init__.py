"""The dial over the centuries: what the orbit and the slowing Earth do to its reading."""
