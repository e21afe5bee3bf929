"""Host library and command line of the Tallymark marker box."""
