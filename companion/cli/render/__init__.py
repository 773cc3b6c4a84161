"""Plain output: values in, lines of text or JSON out. Text from files is made visible-safe here."""
