"""Views of a judgement for people: terminal text and the evidence picture."""
