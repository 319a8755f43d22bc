"""What is kept or printed of an answer: sheets, plain tables, pages."""
