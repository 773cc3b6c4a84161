"""The rules that no room stands behind, each with its check: facts, needs and out. Pure: values in, findings out."""
