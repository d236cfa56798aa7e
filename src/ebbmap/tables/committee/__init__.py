"""Tables of a committee's draft: the terminal, the page and the CSV files show the same ones."""
