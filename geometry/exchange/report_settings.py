"""What a project file says of its reports."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from .settings_parts import Name, Part, all_differ

__all__ = ["ReportSettings"]


class ReportSettings(Part):
    """A report: ``signatures`` are those who sign it, as the contract asks for them, in their order."""

    signatures: Annotated[list[Name], Field(max_length=20)] = Field(
        default_factory=lambda: ["Surveyed by", "Checked by", "Released for injection by"]
    )

    @field_validator("signatures")
    @classmethod
    def _differ(cls, signatures: list[str]) -> list[str]:
        all_differ("signatures", signatures)
        return signatures
