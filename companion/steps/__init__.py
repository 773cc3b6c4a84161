"""The ten steps: what each looks at, which checks it runs, and what its evidence means."""
