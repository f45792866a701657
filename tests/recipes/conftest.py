"""Files of the recipes are tried in a copy of the tree, by ``tests/test_recipes.py``."""

collect_ignore_glob = ["*.py"]
