"""Rays through a body's bores: where light gets, ghosts and all, without a formula for it."""
