"""Which single changes to the code do the tests of its package notice?

    python -m tests.bench.mutation cabapp/planning
    python -m tests.bench.mutation cabapp/session --sample 150 --seed 1 --show

mutmut changes one thing at a time in a copy of the project and runs the tests that reach it. A change is caught when a
test fails or does not end; one that no test reaches has survived. The score is caught changes by all that were tried.
"""

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ["cabapp", "store", "sync", "demo_db"]
TESTS = {
    "cabapp/geometry": ["tests/counting", "tests/track", "tests/published"],
    "cabapp/track": ["tests/track", "tests/counting", "tests/published"],
    "cabapp/counting": ["tests/counting", "tests/published"],
    "cabapp/planning": ["tests/planning", "tests/published"],
    "cabapp/position": ["tests/position", "tests/published/test_nmea_sentences.py", "tests/reports/test_job_files.py"],
    "store": ["tests/store", "store"],
    "cabapp/jobs": ["tests/session", "tests/reports", "tests/position"],
}
SURVIVED, NOT_REACHED = 0, 33
"""mutmut's exit codes of a change that is not caught."""


def settings(package: str) -> str:
    """Return mutmut's settings: what is changed, and which tests are run."""
    tests = TESTS.get(package, [f"tests/{package.rpartition('/')[2]}"])
    values = {
        "source_paths": PACKAGES,
        "only_mutate": [f"{package}/*"],
        # alembic loads them under names that mutmut does not see; tests/store holds what they make against the models
        "do_not_mutate": ["store/migrations/*"],
        "also_copy": ["tests", "README.md", "DEVELOPERS.md", ".ci"],
        "pytest_add_cli_args": ["-n", "0"],
        "pytest_add_cli_args_test_selection": tests,
    }
    return "\n[tool.mutmut]\n" + "".join(f"{name} = {json.dumps(value)}\n" for name, value in values.items())


def outcomes(folder: Path) -> dict[str, int | None]:
    """Return the exit code of each change, None where it was not tried."""
    found = {}
    for path in sorted((folder / "mutants").rglob("*.meta")):
        found |= json.loads(path.read_text("utf-8"))["exit_code_by_key"]
    return found


def run(package: str, sample: int | None, seed: int, show: bool) -> None:
    """Change a package again and again, and print its score."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "project"
        listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
        for name in listed.stdout.splitlines():
            if (ROOT / name).is_file():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(ROOT / name, folder / name)
        with (folder / "pyproject.toml").open("a", encoding="utf-8") as file:
            file.write(settings(package))
        names = []
        if sample is not None:
            # asked for a change that does not exist, mutmut makes all of them and tries none
            mutmut(folder, "run", "none.*", quiet=True)
            every = sorted(outcomes(folder))
            names = random.Random(seed).sample(every, min(sample, len(every)))
        mutmut(folder, "run", *names)
        tried = {name: code for name, code in outcomes(folder).items() if code is not None}
        survivors = sorted(name for name, code in tried.items() if code in (SURVIVED, NOT_REACHED))
        if not tried:
            sys.exit(f"{package}: mutmut tried nothing; its own words stand above")
        for name in survivors:
            print(f"  survived{', no test reaches it' * (tried[name] == NOT_REACHED)}: {name}")
            if show:
                mutmut(folder, "show", name)
        caught = len(tried) - len(survivors)
        print(f"{package}: {caught} of {len(tried)} changes caught, {100 * caught / len(tried):.0f} %", flush=True)


def mutmut(folder: Path, *words: str, quiet: bool = False) -> None:
    """Run mutmut in the copy."""
    out = subprocess.DEVNULL if quiet else None
    subprocess.run([sys.executable, "-m", "mutmut", *words], cwd=folder, stdout=out, stderr=out, check=False)


def main() -> None:
    """Read the words and run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", nargs="+", metavar="FOLDER", help="such as cabapp/planning, store or sync")
    parser.add_argument("--sample", type=int, help="try so many changes, taken at random (default: all)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--show", action="store_true", help="print each change that survived")
    args = parser.parse_args()
    for package in args.packages:
        run(package.rstrip("/"), args.sample, args.seed, args.show)


if __name__ == "__main__":
    main()
