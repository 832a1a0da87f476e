"""The residuals page: how late every crossing came, and what that says of the dial."""
