"""The aperture bench: how wide each bore of a dial came out, and where it points."""
