# SPDX-License-Identifier: GPL-3.0-or-later
# cmake -DFROM=folder -DTO=file.c -P embed.cmake: the page's files as one C file.
# index.html comes first: it is what "/" gives.
file(GLOB files RELATIVE ${FROM} ${FROM}/*.css ${FROM}/*.mjs ${FROM}/*.svg)
list(PREPEND files index.html)
set(arrays "")
set(table "")
set(number 0)
foreach(name ${files})
  file(READ ${FROM}/${name} hex HEX)
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${hex}")
  string(APPEND arrays "static const unsigned char file_${number}[] = {${bytes}};\n")
  string(APPEND table "    {\"/page/${name}\", file_${number}, sizeof file_${number}},\n")
  math(EXPR number "${number} + 1")
endforeach()
file(WRITE ${TO} "/* Made from src/web/page. */\n#include \"web/page.h\"\n\n${arrays}\n"
  "const struct page_content page_contents[] = {\n${table}    {NULL, NULL, 0}};\n")
