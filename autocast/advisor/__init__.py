"""A probability and remarks become a verdict at stated risks, with reasons and places to look."""
