"""The register on disk: journal, parts, growth, undo, export, seal."""
