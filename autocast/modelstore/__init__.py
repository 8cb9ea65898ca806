"""What was fitted: found, checked against its SHA-256, read as one value, and walked.

:class:`Models` holds all of it and is passed down; nothing keeps parts of it
elsewhere.
"""

from autocast.modelstore.files import (
    model_id as model_id,
    models_folder as models_folder,
    register as register,
)
from autocast.modelstore.models import (
    TARGETS as TARGETS,
    VERDICT_SCHEMA as VERDICT_SCHEMA,
    Models as Models,
    default_models as default_models,
)
