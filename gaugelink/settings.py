"""The base of every model that comes out of a file: frozen, and strict about keys it does not know."""

from pydantic import BaseModel, ConfigDict


class Settings(BaseModel):
    """A validated part of a settings file. Unknown keys are refused, so a misspelt key is never ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, validate_default=True)
