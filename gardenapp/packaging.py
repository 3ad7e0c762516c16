"""How the app becomes a wheel. Used while it is built and by nothing of the app.

Pages, styles and migrations lie at the top of the project and belong inside the package once it
is installed. `pyproject.toml` names this command for setuptools. An editable install leaves them
where they are.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from setuptools.command.build_py import build_py

FOLDERS = ("migrations", "static", "templates")


def files_of(folder: Path) -> list[Path]:
    """What is shipped of `folder`; not what Python left there."""
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and path.suffix != ".pyc" and "__pycache__" not in path.parts
    )


class BuildWithFolders(build_py):
    """Copies the three folders into the package, and names them for the source archive."""

    editable_mode: bool = False

    def run(self) -> None:
        package = Path(self.build_lib) / "gardenapp"
        if not self.editable_mode:
            # What an earlier build left would be shipped again, though it is gone from here.
            shutil.rmtree(package, ignore_errors=True)
        super().run()
        if self.editable_mode:
            return
        for path in self._ours():
            target = package / path
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)

    def get_source_files(self) -> list[str]:
        return [*super().get_source_files(), *map(str, self._ours())]

    def get_outputs(self, include_bytecode: bool = True) -> list[str]:
        outputs: list[str] = list(super().get_outputs(include_bytecode))
        if self.editable_mode:
            return outputs
        return outputs + [str(Path(self.build_lib) / "gardenapp" / path) for path in self._ours()]

    def _ours(self) -> list[Path]:
        return [path for name in FOLDERS for path in files_of(Path(name))]
