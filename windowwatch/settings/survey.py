"""The table of a settings file about surveys of years: the archive, and how it is flown through."""

from typing import Annotated

from pydantic import Field, model_validator

from windowwatch.settings.section import Section

Year = Annotated[int, Field(ge=1900, le=2100)]


class SurveySection(Section):
    """Which archive of analysed weather `windowwatch survey` flies through, and how."""

    archive: str | None = None
    names: str | None = None
    first_year: Year | None = None
    last_year: Year | None = None
    launch_step_min: Annotated[int, Field(ge=15, le=720)] = 60
    flights: Annotated[int, Field(ge=1, le=256)] = 12
    reach_deg: Annotated[float, Field(ge=1.0, le=15.0)] = 6.0
    memory_mb: Annotated[int, Field(ge=100, le=1_000_000)] = 1500
    folder: str | None = None

    @model_validator(mode="after")
    def _first_before_last(self) -> "SurveySection":
        if (self.first_year is None) != (self.last_year is None):
            raise ValueError("give both first_year and last_year, or neither for all that there is")
        if (self.first_year or 0) > (self.last_year or 0):
            raise ValueError(
                f"first_year = {self.first_year} comes after last_year = {self.last_year}"
            )
        return self

    @property
    def years(self) -> tuple[int, int] | None:
        """First and last year; None for all that the archive has."""
        if self.first_year is None or self.last_year is None:
            return None
        return self.first_year, self.last_year
