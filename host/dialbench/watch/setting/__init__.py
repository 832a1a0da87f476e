"""The setting page: what to do to the dial next, told by its own looks at the Sun."""
