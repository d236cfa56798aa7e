"""The gallery: fifteen pictures that teach, each with its finding and what makes it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from ebbmap.files.bundled import bundled_studies
from ebbmap.files.study import load_study
from ebbmap.runs.sources import plan_tasks
from ebbmap.site.reference import plain


class Picture(NamedTuple):
    """A picture of the gallery."""

    study: str
    """Stem of the bundled study that draws it."""
    kind: str
    """Name of the analysis."""
    file: str
    """Stem of its file, after that of the study."""
    headline: str
    """What it shows."""
    sentences: tuple[str, str]
    """Two plain sentences for those who stand at the bedside."""

    @property
    def name(self) -> str:
        """Stem of its file."""
        return f"{self.study}_{self.file}"


GALLERY = (
    Picture(
        "release_window",
        "compare",
        "release_named",
        "One release, with everything named",
        (
            "Flow is largest at first and falls as the lung empties; T low says where on this "
            "curve the release ends.",
            "What would still have come out stays in the lung: it holds it open, and too much of "
            "it is trapped gas.",
        ),
    ),
    Picture(
        "side_by_side",
        "compare",
        "side_by_side",
        "The same second helps one lung and harms another",
        (
            "Half a second empties half of a stiff lung and hardly touches an obstructive one.",
            "The coloured parts of the flow curve show that each rule would end the release at "
            "another time in every lung.",
        ),
    ),
    Picture(
        "two_rules",
        "window",
        "windows_by_time_constant",
        "Two rules that sound alike ask for different times",
        (
            "A share of the peak flow and a share of the gas are not the same: the two bands "
            "touch along one line only.",
            "Say which of the two you mean before you say a number.",
        ),
    ),
    Picture(
        "slow_compartment",
        "inside",
        "release",
        "The flow curve hides the slow part of the lung",
        (
            "The flow at the airway follows the fast part, so a release can look half done while "
            "the slow part is still full.",
            "What stays there is not seen on a screen of flow.",
        ),
    ),
    Picture(
        "collapse",
        "collapse",
        "restrictive_cycle",
        "A release that lasts too long lets the lung close",
        (
            "Stopped early, a release leaves enough pressure that nothing closes; after a full "
            "one part of the lung has shut and takes seconds to open again.",
            "How fast units close in patients is known only roughly.",
        ),
    ),
    Picture(
        "t_low_too_long",
        "profile",
        "t_low_profile",
        "Past the best T low CO2 gains little and oxygen turns",
        (
            "The first tenths of a second clear most of the CO2; later ones clear little, and the "
            "lung closes meanwhile.",
            "Where oxygen turns depends on how much of the lung can close, so it is another time "
            "in every lung.",
        ),
    ),
    Picture(
        "t_high",
        "profile",
        "t_high_profile",
        "A longer T high holds pressure and holds CO2 too",
        (
            "A longer T high raises the mean pressure and lets CO2 climb, since there are fewer "
            "releases a minute.",
            "Oxygen gains little after 4 s in these open lungs; recruitment over hours is not in "
            "this model, so do not read it as proof against a long T high.",
        ),
    ),
    Picture(
        "p_high",
        "profile",
        "p_high_profile",
        "A higher P high buys oxygen until the volume of a release forbids it",
        (
            "In a lung that is partly closed a higher P high opens it; in an open lung it brings "
            "nothing but stretch.",
            "The volume of the release reaches its limit before the ceiling of 30 does, so the "
            "ceiling alone does not protect.",
        ),
    ),
    Picture(
        "fio2",
        "profile",
        "fio2_profile",
        "How far inspired oxygen can be lowered differs by lung",
        (
            "From 100 % down, saturation hardly moves in a normal lung and falls at once where "
            "blood passes through closed lung.",
            "Lower it by steps and look: the flat part of the curve ends without warning.",
        ),
    ),
    Picture(
        "obstruction",
        "profile",
        "resistance_exp_profile",
        "More obstruction traps gas and holds CO2: this mode is no answer to it",
        (
            "As resistance rises the same release lets out less, and CO2 climbs until nothing but "
            "the patient's own breathing clears it, which is where the curve goes flat.",
            "Common practice holds this mode unsuitable in severe obstruction, and no T low here "
            "makes it safe.",
        ),
    ),
    Picture(
        "first_cycles",
        "startup",
        "first_cycles",
        "Trapped gas is there after two or three releases",
        (
            "Gas trapping is no slow poison: nearly all of it is there within the first cycles.",
            "One longer release lets it out, and two or three cycles later it is back; only a "
            "lasting change of the settings helps.",
        ),
    ),
    Picture(
        "co2_course",
        "course",
        "paco2_course",
        "A blood gas at five minutes shows half of the change",
        (
            "After a change of T low PaCO2 moves at once and settles over tens of minutes.",
            "A sample taken too early makes the next change too large.",
        ),
    ),
    Picture(
        "release_time",
        "map",
        "t_low_spontaneous_alveolar_ventilation_limits",
        "Own breathing decides more than T low does",
        (
            "Without own breathing few lungs are left unharmed at any T low; with 4 L/min most "
            "normal and obstructive ones are.",
            "Ask how much the patient breathes before asking how long the release should be.",
        ),
    ),
    Picture(
        "release_time",
        "window",
        "served",
        "No single T low serves all lungs of one kind",
        (
            "Nearly every lung has a T low of its own that harms it least, and these lie far "
            "apart in obstructive lungs.",
            "There the lung must be looked at, not the clock.",
        ),
    ),
    Picture(
        "weaning",
        "wean",
        "path",
        "Weaning goes as far as oxygen lets it",
        (
            "Lowering P high a little and lengthening T high leads towards continuous pressure; "
            "the restrictive lung stops early, for its oxygen.",
            "That the obstructive lung comes further does not make this mode safe in obstruction: "
            "here it breathes 4 L/min of its own and its airways do not close.",
        ),
    ),
)


def kept_pictures() -> Path | None:
    """Return the folder of drawn pictures beside a checkout; None in an installed package."""
    folder = bundled_studies().parent / "figures"
    return folder if folder.is_dir() else None


def gallery_page() -> str:
    """Return the gallery as Markdown; a picture that is not at hand is left to its command."""
    folder = kept_pictures()
    parts = [
        "# Gallery",
        "Fifteen pictures that teach. All lungs are invented around published centres; each "
        "picture says below itself by which limits it judges and what it holds. Add "
        "`--look slides` to a command for slides, `--lang de` for German.",
    ]
    for picture in GALLERY:
        parts += [f"## {picture.headline}", *_shown(picture, folder)]
        parts += [plain(" ".join(picture.sentences)), *_made_by(picture)]
    return "\n\n".join(parts)


def result_of(picture: Picture) -> str:
    """Return the name of the result that a picture shows, as its study's run leaves it."""
    tasks = plan_tasks(load_study(bundled_studies() / f"{picture.study}.toml"))
    names = [task.name for task in tasks if task.kind == picture.kind]
    return next(name for name in names if name.partition("_")[2] in picture.file)


def _shown(picture: Picture, folder: Path | None) -> Iterator[str]:
    if folder is not None and (folder / f"{picture.name}.png").is_file():
        yield f"![{plain(picture.headline)}](pictures/{picture.name}.png)"


def _made_by(picture: Picture) -> Iterator[str]:
    yield f"```text\nebbmap run {picture.study} --out out/{picture.study}\n```"
    yield (
        "```text\n"
        "import ebbmap\n"
        "from ebbmap.plotting import plot\n\n"
        f'results = ebbmap.open_results("out/{picture.study}")\n'
        f'plot("{picture.kind}", results["{result_of(picture)}"])\n'
        "```"
    )
