"""Content, figures and pages. Computes nothing."""
