"""autocast: can the colour of this photograph be trusted?

    judgement = autocast.judge("picture.jpg")
    judgement.verdict, judgement.probability

The public names are those of ``__init__.pyi``; each is imported when it is first
used, so that importing autocast costs nothing.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
__all__ += ["__version__"]
