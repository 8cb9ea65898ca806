"""How the fitted files of models/ are made: figures gathered, casts simulated, trees grown.

With evaluation and rendering the only rooms that may import scikit-learn or
colour-science.
"""
