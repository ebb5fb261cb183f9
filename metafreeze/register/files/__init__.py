"""From bytes to tables of verbatim text: encodings, separators, headings, records."""
