"""Views for people: a judgement, an archive or an evaluation as text, picture or pages."""
