"""Pictures of findings and of what was measured: shapes as plain data, drawn as text and as SVG."""
