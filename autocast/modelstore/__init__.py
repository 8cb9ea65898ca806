"""What was fitted: found, checked against its SHA-256, read as one value, and walked.

:class:`Models` holds all of it and is passed down; nothing keeps parts of it
elsewhere.
"""

from autocast.modelstore.files import model_id, models_folder, register
from autocast.modelstore.models import TARGETS, VERDICT_SCHEMA, Models, default_models

__all__ = [
    "TARGETS",
    "VERDICT_SCHEMA",
    "Models",
    "default_models",
    "model_id",
    "models_folder",
    "register",
]
