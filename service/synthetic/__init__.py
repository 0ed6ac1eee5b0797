"""Invented people with a known truth: who they are, their visit records, and the rows of research tables.

Pure: chance is passed in. Nothing here is about anybody; everything is labelled HTEST.
"""
