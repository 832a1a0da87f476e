"""The watch application in a browser: a server on this machine, the application behind it."""
