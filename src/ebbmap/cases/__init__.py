"""Cases: what is asked, how it is solved, and how the answer is labelled."""
