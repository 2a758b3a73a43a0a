# Run at build time by the target tautgate_version_header; see version.cmake.

set(COMMIT "${GIVEN_COMMIT}")
if(NOT COMMIT)
    find_program(GIT git)
    if(GIT AND EXISTS ${SOURCE_DIR}/.git)
        # Commits only: "-dirty" would change with every edit and make each build link everything again.
        execute_process(
            COMMAND ${GIT} -c safe.directory=${SOURCE_DIR} rev-parse --short=12 HEAD
            WORKING_DIRECTORY ${SOURCE_DIR}
            OUTPUT_VARIABLE COMMIT OUTPUT_STRIP_TRAILING_WHITESPACE
            RESULT_VARIABLE failed ERROR_QUIET)
        if(failed)
            set(COMMIT "")
        endif()
    endif()
endif()
if(NOT COMMIT)
    set(COMMIT "unknown")
endif()

configure_file(${TEMPLATE} ${OUTPUT} @ONLY) # writes only when the text differs
