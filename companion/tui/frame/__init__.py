"""The frame around the open step: the checklist, its workspace, help, and the work in threads."""
