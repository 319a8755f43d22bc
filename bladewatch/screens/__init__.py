"""Assessments to words, rulers and tables. Pure: values in, something to print out."""
