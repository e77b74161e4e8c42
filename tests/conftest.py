"""Two pytest processes, one summary; and the seeds of all drawn examples.

The desk's tests run in a process of their own (``--record``), because a crash of the graphics stack ends the process it
happens in. The second process (``--replay``) reports them as if they had been its own, a crash as a failure.
"""

from __future__ import annotations

import json
from pathlib import Path

import hypothesis
import pytest

ROOT = Path(__file__).parent.parent

hypothesis.settings.register_profile("suite", deadline=None, derandomize=True)
hypothesis.settings.load_profile("suite")


def pytest_addoption(parser):
    group = parser.getgroup("qca")
    group.addoption("--record", metavar="FILE", help="write every report into FILE, one JSON object per line")
    group.addoption("--replay", metavar="FILE", help="report what another process recorded in FILE")


def pytest_configure(config):
    if path := config.getoption("--record"):
        config.pluginmanager.register(Recorder(config, Path(path)), "qca-recorder")
    # workers of a session that is shared out have their own configuration, the summary is the first process's
    if (path := config.getoption("--replay")) and not hasattr(config, "workerinput"):
        config.pluginmanager.register(Replayer(config, Path(path)), "qca-replayer")


def pytest_ignore_collect(collection_path, config):
    """Leave the desk's tests to the process that has Qt's and napari's plugins."""
    return True if collection_path == ROOT / "tests" / "desk" and not _is_the_desks(config) else None


def pytest_report_header(config):
    if (ROOT / "tests" / "desk").exists() and not _is_the_desks(config):
        return "tests/desk: runs in a process of its own (make test, make test-desk, or  .ci/desk_tests .venv)"
    return None


def _is_the_desks(config):
    return bool(config.getoption("--record")) or config.pluginmanager.hasplugin("pytest-qt")


class Recorder:
    """Writes reports as they come, so that a crash leaves behind what was running."""

    def __init__(self, config, path):
        self.config = config
        path.parent.mkdir(parents=True, exist_ok=True)
        self.file = path.open("w", encoding="utf-8")

    def write(self, **entry):
        self.file.write(json.dumps(entry) + "\n")
        self.file.flush()

    def pytest_runtest_logstart(self, nodeid):
        self.write(kind="start", nodeid=nodeid)

    def pytest_runtest_logreport(self, report):
        data = self.config.hook.pytest_report_to_serializable(config=self.config, report=report)
        self.write(kind="test", data=data)

    def pytest_collectreport(self, report):
        if not report.passed:
            data = self.config.hook.pytest_report_to_serializable(config=self.config, report=report)
            self.write(kind="collect", data=data)

    def pytest_sessionfinish(self, exitstatus):
        self.write(kind="end", exitstatus=int(exitstatus))
        self.file.close()


class Replayer:
    """Feeds recorded reports to this session after its own tests."""

    def __init__(self, config, path):
        self.config = config
        self.entries = []
        if path.exists():
            self.entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtestloop(self, session):
        try:
            return (yield)
        finally:
            session.testscollected += sum(entry["kind"] == "start" for entry in self.entries)
            self.replay()

    def replay(self):
        hook = self.config.hook
        running = "tests/desk"
        for entry in self.entries:
            if entry["kind"] == "start":
                running = entry["nodeid"]
                hook.pytest_runtest_logstart(nodeid=running, location=(running.partition("::")[0], None, running))
            elif entry["kind"] == "left out":
                hook.pytest_runtest_logreport(report=_left_out(entry["where"], entry["why"]))
            elif entry["kind"] in ("test", "collect"):
                report = hook.pytest_report_from_serializable(config=self.config, data=entry["data"])
                if isinstance(report.longrepr, list):  # a skip's place and reason, a tuple before it was JSON
                    report.longrepr = tuple(report.longrepr)
                name = "pytest_runtest_logreport" if entry["kind"] == "test" else "pytest_collectreport"
                getattr(hook, name)(report=report)
        if self.entries and self.entries[-1]["kind"] not in ("end", "left out"):
            hook.pytest_runtest_logreport(report=_crashed(running))


def _left_out(where, why):
    return _report(where, "skipped", (where, 0, f"Skipped: {why}"))


def _crashed(nodeid):
    return _report(nodeid, "failed", f"the process ended in the middle of {nodeid}: a crash, or it was killed")


def _report(nodeid, outcome, longrepr):
    return pytest.TestReport(
        nodeid=nodeid,
        location=(nodeid.partition("::")[0], 0, nodeid),
        keywords={},
        outcome=outcome,
        longrepr=longrepr,
        when="setup" if outcome == "skipped" else "call",
    )


@pytest.fixture
def qca(capfd):
    """Run the command in this process: ``qca("measure", ...) -> (exit code, stdout, stderr)``."""
    from click.testing import CliRunner

    from ui.cli.main import cli

    def run(*arguments):
        result = CliRunner().invoke(cli, [str(argument) for argument in arguments], prog_name="qca")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.exit_code, result.stdout, result.stderr

    return run
