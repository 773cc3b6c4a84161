"""The terminal app: it shows and asks, and decides nothing. Everything it does has a plain command as well."""
