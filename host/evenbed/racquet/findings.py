"""What a check of a racquet found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Findings:
    """``errors`` have to be corrected, ``questions`` answered (the file may overrule some), ``remarks`` read."""

    errors: tuple[str, ...]
    questions: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass
class Notes:
    """Collects findings."""

    errors: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def ask_unless(self, overruled: bool, text: str) -> None:
        """A question, or a remark where the file overrules."""
        if overruled:
            self.remarks.append(f"{text} The file overrules.")
        else:
            self.questions.append(text)

    def findings(self) -> Findings:
        """All of them."""
        return Findings(tuple(self.errors), tuple(self.questions), tuple(self.remarks))


def listed(numbers: Sequence[int]) -> str:
    """Numbers in words: ``1, 2 and 5``."""
    words = [str(n) for n in numbers]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
