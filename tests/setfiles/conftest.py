import pytest


@pytest.fixture
def write(tmp_path):
    """Write a set file and return its path."""

    def write(content, name="clubs.csv"):
        path = tmp_path / name
        if isinstance(content, str):
            content = content.encode("utf-8")
        path.write_bytes(content)
        return path

    return write
