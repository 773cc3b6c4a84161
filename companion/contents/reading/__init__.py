"""What can be read in files of any format: paths, encodings, pictures and what they carry."""
