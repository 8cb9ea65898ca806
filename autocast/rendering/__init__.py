"""Small scenes rendered from published spectra, whose truth no photograph's history can blur."""
