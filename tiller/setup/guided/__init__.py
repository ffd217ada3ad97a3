"""Making a rack measure, step by step: what is asked, shown and found, whoever shows it."""
