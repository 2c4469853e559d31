# CMake generated Testfile for 
# Source directory: /tmp/last
# Build directory: /tmp/last/b
# 
# This file includes the relevant testing commands required for 
# testing this directory and lists subdirectories to be tested as well.
subdirs("tests")
