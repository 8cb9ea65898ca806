"""How the files in models/ are made. The only room that imports scikit-learn or colour-science."""
