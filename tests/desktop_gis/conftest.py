"""The scripts beside the tests are run by the desktop GIS's own Python, which alone has its modules."""

collect_ignore = ["make_template.py", "open_project.py"]
